"""The seeded generator of files with lying headers: file `number` is always the same, whatever machine makes it.

A file has valid noise under a header of its form; then none to four things are made untrue.
"""

import struct
from collections.abc import Callable
from random import Random
from typing import Final

import numpy as np

from tests.prove.lies_draft import AUDIO, FORMATS, WIDE, Draft, Part, format_payload
from tests.support.wavefile import DOUBLE, FLOAT, KINDS, PCM_16, PCM_24, PCM_32, Array, Kind, fmt_chunk, pack

FORMS: Final = ("RIFF",) * 8 + ("RF64", "RF64", "BW64", "BW64", "W64", "AIFF", "AIFC", "CAF")
SUFFIXES: Final = {"W64": ".w64", "AIFF": ".aif", "AIFC": ".aif", "CAF": ".caf"}
BIG_KINDS: Final = (PCM_16, PCM_24, PCM_32)
NAMES: Final = (
    *(b"JUNK", b"LIST", b"bext", b"iXML", b"ds64", b"MD5 ", b"levl", b"fact", b"PEAK", b"cue ", b"zOdd", b"\xe9abc"),
    *(b"fmt ", b"data", b"id3 ", b"chna", b"smpl", b"FLLR"),
)
BIG_NAMES: Final = (b"MARK", b"INST", b"NAME", b"ANNO", b"FVER", b"PEAK", b"APPL", b"COMT", b"free", b"info", b"chan")
SIZES: Final = (0, 1, 2, 3, 4, 10, 12, 16, 28, 29, 602, 1_027)
SHIFTS: Final = (-1_000, -24, -9, -8, -3, -2, -1, 1, 2, 3, 8, 9, 24, 1_000)
ABSOLUTE: Final = (0, 1, 4, 8, 12, 16, 36, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
VALUES: Final = (0, 1, 2, 3, 4, 6, 7, 8, 9, 15, 16, 17, 20, 23, 24, 25, 31, 32, 33, 48, 64, 255, 0x7FFF, 0xFFFE, 0xFFFF)
MOST_LIES: Final = 4
LITTLE_FIELDS: Final = ((0, "<H"), (2, "<H"), (4, "<I"), (8, "<I"), (12, "<H"), (14, "<H"), (16, "<H"), (18, "<H"))
COMM_FIELDS: Final = ((0, ">H"), (2, ">I"), (6, ">H"), (8, ">H"), (10, ">H"), (18, ">H"))
DESC_FIELDS: Final = ((0, ">H"), (8, ">I"), (12, ">I"), (16, ">I"), (20, ">I"), (24, ">I"), (28, ">I"))
FIELDS: Final = {b"fmt ": LITTLE_FIELDS, b"COMM": COMM_FIELDS, b"desc": DESC_FIELDS}


def made(number: int) -> tuple[str, Draft]:
    """Return the name of a file and what is written into it."""
    random = Random(number)
    draft = _true(random, random.choice(FORMS))
    for _ in range(random.choice((0, 1, 1, 1, 1, 2, 2, 3, MOST_LIES))):
        random.choice(LIES)(draft)
    return f"{number:06}{SUFFIXES.get(draft.form, '.wav')}", draft


def _true(random: Random, form: str) -> Draft:
    """A file without a lie: format, audio, and a few other chunks."""
    channels, frames = random.randint(1, 3), random.choice((random.randint(1, 400), random.randint(1, 4_800)))
    kinds = BIG_KINDS if form == "AIFF" else (*BIG_KINDS, FLOAT, DOUBLE) if form in ("AIFC", "CAF") else KINDS
    kind = random.choice(kinds)
    level = 10.0 ** random.uniform(-2.2, -0.4)
    samples = np.random.default_rng(random.getrandbits(32)).uniform(-level, level, (frames, channels))
    makers = {"AIFF": _big, "AIFC": _big, "CAF": _big}
    return makers.get(form, _little)(random, form, kind, samples)


def _little(random: Random, form: str, kind: Kind, samples: Array) -> Draft:
    audio = pack(samples, kind)
    mask = 0 if form == "W64" and kind.is_float else random.choice((0, 0, 0, 3))  # libsndfile hears those as integers
    parts = [Part(b"fmt ", fmt_chunk(kind, 48_000, samples.shape[1], mask)), Part(b"data", audio)]
    draft = Draft(random, form, kind, parts)
    for _ in range(random.choice((0, 0, 1, 1, 2, 3))):
        _add_chunk(draft)
    if form in WIDE:
        if random.random() < 0.7:
            parts[next(index for index, part in enumerate(parts) if part.payload is audio)].stated = 0xFFFFFFFF
        body = sum(8 + len(part.payload) + len(part.payload) % 2 for part in parts)
        parts.insert(0, Part(b"ds64", struct.pack("<QQQI", 40 + body, len(audio), len(samples), 0)))
    return draft


def _big(random: Random, form: str, kind: Kind, samples: Array) -> Draft:
    is_little = form != "AIFF" and not (form == "AIFC" and kind.is_float) and random.random() < 0.5
    audio = pack(samples, kind)
    if not is_little:
        audio = np.frombuffer(audio, np.uint8).reshape(-1, kind.container_bytes)[:, ::-1].tobytes()
    described = format_payload(form, kind, samples.shape[1], len(samples), is_little=is_little)
    if form == "CAF":
        parts = [Part(b"desc", described), Part(b"data", bytes(4) + audio)]
    else:
        version = [Part(b"FVER", bytes.fromhex("a2805140"))] * (form == "AIFC")
        parts = [*version, Part(b"COMM", described), Part(b"SSND", bytes(8) + audio)]
    draft = Draft(random, form, kind, parts)
    for _ in range(random.choice((0, 0, 1, 2))):
        _add_chunk(draft)
    return draft


def _add_chunk(draft: Draft) -> None:
    """Put in a chunk of any content, more often behind the format and the audio than before them; W64 none behind.

    libsndfile hears what lies behind the audio of a W64 file as audio.
    """
    random = draft.random
    names = BIG_NAMES if draft.form in ("AIFF", "AIFC", "CAF") else NAMES[:12]
    last = len(draft.parts) - (draft.form == "W64")
    payload = random.choice((bytes, random.randbytes))(random.choice(SIZES))
    draft.parts.insert(random.randint(0, last), Part(random.choice(names), payload))


def _any(draft: Draft) -> Part:
    """One of the parts; the format and the audio more often than others."""
    essential = [part for part in draft.parts if part.name in (*FORMATS, *AUDIO, b"ds64", b"fact", b"LIST")]
    return draft.random.choice((essential if draft.random.random() < 0.7 else draft.parts) or draft.parts)


def _lie_about_size(draft: Draft) -> None:
    part, random = _any(draft), draft.random
    part.stated = random.choice(ABSOLUTE)
    if random.random() < 0.6:
        part.stated = max(0, len(part.payload) + random.choice(SHIFTS))
    if draft.form in ("CAF", "W64") and random.random() < 0.1:
        part.stated = random.choice((-1, 2**62, 2**63 - 1, 2**63))


def _lie_about_total(draft: Draft) -> None:
    random = draft.random
    body = sum(8 + len(part.payload) + len(part.payload) % 2 for part in draft.parts)
    draft.total = max(0, 4 + body + random.choice(SHIFTS)) if random.random() < 0.6 else random.choice(ABSOLUTE)


def _lie_about_wide_sizes(draft: Draft) -> None:
    """Change a field of the `ds64`, or the size of the audio to the placeholder, in any form."""
    part = draft.part((b"ds64",))
    if part is None or len(part.payload) < 28:
        _audio(draft).stated = 0xFFFFFFFF
        return
    random, fields = draft.random, bytearray(part.payload)
    at, kind = random.choice(((0, "<Q"), (8, "<Q"), (16, "<Q"), (24, "<I")))
    (old,) = struct.unpack_from(kind, fields, at)
    value = random.choice((*ABSOLUTE, old + 1, old + 2, old - 1, old - 2, old - 9, 2**63 - 1, 2**64 - 1))
    struct.pack_into(kind, fields, at, value % (2**64 if kind == "<Q" else 2**32))
    part.payload = bytes(fields)


def _lie_about_format(draft: Draft) -> None:
    """Put another value into a field of the format chunk."""
    part = draft.part(FORMATS)
    if part is None or len(part.payload) < 4:
        return
    random, fields = draft.random, bytearray(part.payload)
    there = [field for field in FIELDS[part.name] if field[0] + struct.calcsize(field[1]) <= len(fields)]
    at, kind = random.choice(there)
    (old,) = struct.unpack_from(kind, fields, at)
    value = random.choice((*VALUES, old + 1, old - 1, 2 * old, old // 2))
    struct.pack_into(kind, fields, at, value % (2 ** (8 * struct.calcsize(kind))))
    part.payload = bytes(fields)


def _shuffle(draft: Draft) -> None:
    draft.random.shuffle(draft.parts)


def _swap(draft: Draft) -> None:
    at = draft.random.randrange(len(draft.parts))
    draft.parts[at - 1], draft.parts[at] = draft.parts[at], draft.parts[at - 1]


def _double(draft: Draft) -> None:
    part = _any(draft)
    draft.parts.insert(draft.random.randint(0, len(draft.parts)), Part(part.name, part.payload, part.stated, part.pad))


def _leave_out(draft: Draft) -> None:
    if len(draft.parts) > 1:
        draft.parts.remove(draft.random.choice(draft.parts))


def _pad_wrongly(draft: Draft) -> None:
    """Leave the padding out, or fill it, or add some where none belongs."""
    odd = [part for part in draft.parts if len(part.payload) % 2]
    draft.random.choice(odd or draft.parts).pad = draft.random.choice((b"", b"", b"\xff", b"\0\0"))


def _trail(draft: Draft) -> None:
    random = draft.random
    rubbish = (b"\0", bytes(7), random.randbytes(9), b"TAG" + bytes(125), b"data\x08\0\0\0" + random.randbytes(8))
    draft.tail = random.choice((*rubbish, b"LIST", b"fmt \x10\0\0\0", random.randbytes(300)))


def _cut(draft: Draft) -> None:
    draft.cut = draft.random.random()


def _resize(draft: Draft) -> None:
    """Make a payload longer or shorter; its size may follow."""
    part, random = _any(draft), draft.random
    by = random.choice((-24, -9, -2, -1, 1, 2, 5, 9))
    part.payload = part.payload[:by] if by < 0 else part.payload + random.randbytes(by)


def _audio(draft: Draft) -> Part:
    return draft.part(AUDIO) or draft.parts[-1]


def _hide_a_chunk(draft: Draft) -> None:
    """Write the header of a chunk into the payload of another, where a reader that counts wrongly finds it."""
    random, part = draft.random, _any(draft)
    if draft.kind.is_float and part.name in AUDIO:
        return
    head = random.choice((b"data", b"fmt ", b"LIST", b"ds64")) + struct.pack("<I", random.choice((0, 4, 16, 400)))
    at = random.choice((0, random.randint(0, max(0, len(part.payload) - 8))))
    part.payload = (part.payload[:at] + head + part.payload[at + 8 :])[: max(8, len(part.payload))]


def _move_audio(draft: Draft) -> None:
    """State that the audio of an AIFF file begins later, of a CAF file that it was edited; else lie about a size."""
    part = _audio(draft)
    if part.name == b"SSND" or draft.form == "CAF":
        at = draft.random.choice((0, 4)) if part.name == b"SSND" else 0
        value = struct.pack(">I", draft.random.choice((1, 2, 3, 4, 8, 24, 1_000, 0xFFFFFFFF)))
        part.payload = part.payload[:at] + value + part.payload[at + 4 :]
    else:
        _lie_about_size(draft)


LIES: Final[tuple[Callable[[Draft], None], ...]] = (
    *(_lie_about_size, _lie_about_size, _lie_about_size, _lie_about_total, _lie_about_total, _lie_about_wide_sizes),
    *(_lie_about_format, _lie_about_format, _shuffle, _swap, _double, _leave_out, _pad_wrongly, _pad_wrongly, _trail),
    *(_trail, _cut, _cut, _resize, _hide_a_chunk, _move_audio, *(_add_chunk,) * 6),
)
