"""A stem before anything is measured: its identity on disk, its stream, its source as the sidecar names it."""

import os
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from stager.model.base import Record


@dataclass(frozen=True, order=True)
class StemName:
    """The path of a stem below the inbox: `relative` as the system has it, `key` its bytes, `printable` for people."""

    relative: str

    @classmethod
    def of_key(cls, key: bytes) -> "StemName":
        """Return the name with these bytes."""
        return cls(os.fsdecode(key))

    @property
    def key(self) -> bytes:
        """The bytes by which the ledger knows the stem."""
        return os.fsencode(self.relative)

    @property
    def printable(self) -> str:
        r"""The path as it is printed and stored; bytes that are no UTF-8 are written as `\xNN`."""
        return self.key.decode("utf-8", "backslashreplace")

    def __str__(self) -> str:
        """Return the printable form."""
        return self.printable


class Encoding(StrEnum):
    """How one sample is stored."""

    PCM_16 = "PCM_16"
    PCM_24 = "PCM_24"
    PCM_32 = "PCM_32"
    FLOAT = "FLOAT"
    DOUBLE = "DOUBLE"

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample in the file."""
        return {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}[self.value]

    @property
    def is_integer(self) -> bool:
        """Return whether samples lie on an integer grid."""
        return self.value.startswith("PCM_")


MAX_CHANNELS: Final = 32
"""Channels a stem may have; above it a file is no stem of a song (own limit)."""


class StreamInfo(Record):
    """The audio of a file as its header describes it.

    `valid_bits` is the integer grid, 0 for float; `channel_mask` the speakers of an extensible WAVE header, 0 for none.
    """

    container: str
    encoding: Encoding
    valid_bits: int
    sample_rate_hz: int
    channels: int
    frames: int
    channel_mask: int = 0

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz

    @property
    def top_code_linear(self) -> float:
        """The largest value the encoding holds: 1 - 2^-(valid_bits - 1) for integers, 1.0 (full scale) for float."""
        return 1.0 - 2.0 ** (1 - self.valid_bits) if self.encoding.is_integer else 1.0


@dataclass(frozen=True)
class Fingerprint:
    """A file's identity by the file system: equal fingerprints before and after a read mean an unchanged file."""

    device: int
    inode: int
    size_bytes: int
    modified_ns: int
    changed_ns: int


class SourceInfo(Record):
    """The original, as the sidecar names it: `path` is relative to the project file, with `/`."""

    path: str
    path_bytes: str | None = None
    sha256: str
    bytes: int
    container: str
    encoding: Encoding
    sample_rate_hz: int
    channels: int
    frames: int
    duration_s: float
