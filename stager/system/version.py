"""Which `stager` this is: the one place of its version, which the package's metadata takes from here."""

from typing import Final

VERSION: Final = "0.1.0"
