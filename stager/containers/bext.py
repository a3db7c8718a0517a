"""The `bext` chunk of a Broadcast Wave file: what a change of level does to it.

Source: EBU Tech 3285 version 2 (layout, loudness fields in hundredths, halves away from zero, 7FFFh for "not used");
EBU R 98 (one line of coding history for each process).
"""

import struct
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Final

from stager.model import StreamInfo

FIXED_BYTES: Final = 602
MOST_BYTES: Final = 10_240
"""Readers pass over a longer chunk (libsndfile 1.2.2 does)."""
TIME_REFERENCE_AT: Final = 338
VERSION_AT: Final = 346
LOUDNESS_AT: Final = 412
NOT_USED: Final = 0x7FFF
HUNDREDTHS: Final = 9999
MODES: Final = {1: ",M=mono", 2: ",M=stereo"}
"""The words of EBU R 98; there is none for more than two channels."""


@dataclass(frozen=True)
class LoudnessFields:
    """The five figures of version 2, in their order; None: undefined."""

    loudness_lufs: float | None = None
    range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None

    def packed(self) -> bytes:
        """Return the ten bytes of the chunk."""
        return struct.pack("<5H", *(coded(value) & 0xFFFF for value in vars(self).values()))


def coded(value: float | None) -> int:
    """Return a figure in hundredths, halves away from zero; 7FFFh where it is undefined or out of range."""
    if value is None:
        return NOT_USED
    hundredths = int(Decimal(repr(value)).scaleb(2).quantize(Decimal(1), ROUND_HALF_UP))
    return hundredths if abs(hundredths) <= HUNDREDTHS else NOT_USED


def has_loudness(bext: bytes) -> bool:
    """Return whether this chunk holds loudness: version 2 or later, and not all five fields "not used"."""
    if len(bext) < FIXED_BYTES or int.from_bytes(bext[VERSION_AT : VERSION_AT + 2], "little") < 2:
        return False
    unused = LoudnessFields().packed()
    return bext[LOUDNESS_AT : LOUDNESS_AT + len(unused)] != unused


def time_reference_frames(bext: bytes) -> int | None:
    """Return the first sample's time since midnight, in frames of the file's own rate; None where it is cut short."""
    field = bext[TIME_REFERENCE_AT : TIME_REFERENCE_AT + 8]
    return int.from_bytes(field, "little") if len(field) == 8 else None


def with_loudness(bext: bytes, fields: LoudnessFields) -> bytes:
    """Return the chunk with these loudness figures."""
    packed = fields.packed()
    return bext[:LOUDNESS_AT] + packed + bext[LOUDNESS_AT + len(packed) :]


def with_history(bext: bytes, line: str, *, align: int = 1) -> bytes | None:
    """Return the chunk with one more line of coding history behind those it has; None where it would grow too long.

    Its length is a multiple of `align`, by zeros behind the last line.
    """
    history = bext[FIXED_BYTES:].rstrip(b"\0")
    if history and not history.endswith(b"\r\n"):
        history = history.rstrip(b"\r\n") + b"\r\n"
    grown = bext[:FIXED_BYTES] + history + line.encode("ascii", "replace") + b"\r\n"
    grown += bytes(-len(grown) % align)
    return grown if len(grown) <= MOST_BYTES else None


def history_line(info: StreamInfo, what: str) -> str:
    """Return the line for one process; `what` is free text, its commas become semicolons. It holds no time of day."""
    bits = info.valid_bits or 8 * info.encoding.sample_bytes
    free = what.replace(",", ";")
    return f"A=PCM,F={info.sample_rate_hz},W={bits}{MODES.get(info.channels, '')},T={free}"
