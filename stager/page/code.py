"""An address as a QR code for a terminal: two modules a character, by half blocks."""

from itertools import zip_longest
from typing import Final

import segno

BORDER: Final = 2
"""Light modules around the code: ISO/IEC 18004 asks for 4, readers manage with 2, and a terminal is small."""
HALVES: Final = {(True, True): "\u2588", (True, False): "\u2580", (False, True): "\u2584", (False, False): " "}


def qr_lines(text: str) -> list[str]:
    """Return the lines of a QR code; blocks are the light modules, as most terminals write light on dark."""
    rows = [
        [not module for module in row] for row in segno.make(text, error="l", micro=False).matrix_iter(border=BORDER)
    ]
    pairs = zip_longest(rows[::2], rows[1::2], fillvalue=[True] * len(rows[0]))
    return ["".join(HALVES[above, below] for above, below in zip(*pair, strict=True)) for pair in pairs]
