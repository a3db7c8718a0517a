"""Gain-stages newly bounced stems: measure, decide one clip-safe trim, write a trimmed copy with its log."""

from typing import Final

__version__: Final = "0.1.0"
