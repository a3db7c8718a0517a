"""A file of audio as a list of parts whose sizes may lie: what the generator of lying headers changes and writes.

Source of the layouts: RIFF, EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64), W64 as libsndfile 1.2.2 reads it, AIFF and
AIFF-C, the Core Audio Format.
"""

import struct
from dataclasses import dataclass
from random import Random
from typing import Final

from tests.support.wavefile import TAG_EXTENSIBLE, Kind

W64_TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")
W64_RIFF: Final = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
RATE_80_BIT: Final = bytes.fromhex("400ebb80000000000000")
"""48,000 as an 80-bit float."""
WIDE: Final = ("RF64", "BW64")
FORMATS: Final = (b"fmt ", b"COMM", b"desc")
AUDIO: Final = (b"data", b"SSND")


@dataclass
class Part:
    """One chunk: its name and payload, the size that it states (None: its own) and its padding (None: as the form)."""

    name: bytes
    payload: bytes
    stated: int | None = None
    pad: bytes | None = None


@dataclass
class Draft:
    """A file to be written.

    `total` is the size that the file's header states, None: the true one; `cut` is where it was cut off, as a share of
    its fields.
    """

    random: Random
    form: str
    kind: Kind
    parts: list[Part]
    total: int | None = None
    tail: bytes = b""
    cut: float | None = None

    def part(self, names: tuple[bytes, ...]) -> Part | None:
        """Return the first part of one of these names."""
        return next((part for part in self.parts if part.name in names), None)

    def stated_audio(self) -> Part | None:
        """Return the audio as far as its own size says, also where it lies in the rubbish behind all parts.

        Bytes of the chunks that follow belong to it where the size says so; a size beyond the file reaches to its end.
        """
        pieces = [b"".join(self._pieces(part)) for part in self.parts]
        at = len(b"".join(self._top(b"")))
        for part, piece in zip(self.parts, pieces, strict=True):
            if part.name in AUDIO:
                start = at + len(piece) - len(b"".join(self._pieces(part)[2:]))
                size = len(part.payload) if part.stated is None else max(part.stated, 0)
                return Part(part.name, self._whole(pieces)[start : start + size])
            at += len(piece)
        if self.tail.startswith(b"data"):
            return Part(b"data", self.tail[8 : 8 + int.from_bytes(self.tail[4:8], "little")])
        return None

    def _whole(self, pieces: list[bytes]) -> bytes:
        body = b"".join(pieces)
        return b"".join([*self._top(body), body, self.tail])

    @property
    def valid_bits(self) -> int:
        """The bits of the grid by the format chunk as it is written, by which the copy is rounded; 0 for float.

        AIFF samples fill whole bytes, so that 17 to 24 bits lie on the grid of 24 (AIFF 1.3, "Sample Points").
        """
        written, bits = self.part(FORMATS), 8 * self.kind.container_bytes
        if self.kind.is_float or written is None or self.form == "CAF" or len(written.payload) < 16:
            return 0 if self.kind.is_float else bits
        if self.form in ("AIFF", "AIFC"):
            return 8 * (-(-int(struct.unpack_from(">h", written.payload, 6)[0]) // 8))
        tag, stated = struct.unpack_from("<H12xH", written.payload)
        valid = struct.unpack_from("<H", written.payload, 18)[0] if len(written.payload) >= 40 else 0
        return int(valid or stated) if tag == TAG_EXTENSIBLE else int(stated)

    def content(self) -> bytes:
        """Return the bytes of the file; cut ones end at, or beside, the end of a field."""
        pieces = [piece for part in self.parts for piece in self._pieces(part)]
        whole = b"".join([*self._top(b"".join(pieces)), *pieces, self.tail])
        if self.cut is None:
            return whole
        fields = [*self._top(b""), *pieces]
        index = int(self.cut * len(fields))
        at = sum(map(len, fields[: index + 1])) + self.random.choice((-1, 0, 0, 1))
        return whole[: max(0, at)]

    def _pieces(self, part: Part) -> list[bytes]:
        """Name, size, payload and padding of a part."""
        size = len(part.payload) if part.stated is None else part.stated
        if self.form == "W64":
            head = [part.name + W64_TAIL, struct.pack("<Q", (24 + size) % 2**64)]
            align = 8
        elif self.form == "CAF":
            head, align = [part.name, struct.pack(">q", (size + 2**63) % 2**64 - 2**63)], 1
        else:
            order = ">I" if self.form in ("AIFF", "AIFC") else "<I"
            head, align = [part.name, struct.pack(order, size % 2**32)], 2
        return [*head, part.payload, bytes(-len(part.payload) % align) if part.pad is None else part.pad]

    def _top(self, body: bytes) -> list[bytes]:
        """The file's own header, for as many bytes of chunks."""
        if self.form == "W64":
            total = 40 + len(body) if self.total is None else self.total
            return [W64_RIFF, struct.pack("<Q", total % 2**64), b"wave" + W64_TAIL]
        if self.form == "CAF":
            return [b"caff", struct.pack(">HH", 1, 0)]
        if self.form in ("AIFF", "AIFC"):
            total = 4 + len(body) if self.total is None else self.total
            return [b"FORM", struct.pack(">I", total % 2**32), self.form.encode()]
        total = 0xFFFFFFFF if self.form in WIDE else 4 + len(body)
        return [self.form.encode(), struct.pack("<I", (total if self.total is None else self.total) % 2**32), b"WAVE"]


def format_payload(form: str, kind: Kind, channels: int, frames: int, *, is_little: bool = True) -> bytes:
    """Return the payload of the format chunk of an AIFF, AIFF-C or CAF file."""
    bits, size = 8 * kind.container_bytes, kind.container_bytes
    if form == "CAF":
        flags = int(kind.is_float) + 2 * is_little
        return struct.pack(">d4sIIIII", 48_000.0, b"lpcm", flags, size * channels, 1, channels, bits)
    comm = struct.pack(">hIh", channels, frames, bits) + RATE_80_BIT
    if form == "AIFF":
        return comm
    codec = (b"fl32", b"fl64")[size == 8] if kind.is_float else b"sowt" if is_little else b"NONE"
    return comm + codec + b"\0\0"
