"""What a change of level, or of encoding, does to each chunk around the samples of a WAVE file.

What the change makes untrue is written anew or dropped, and said; all else is carried byte for byte. Source: the
meaning of the fields (EBU Tech 3285 for `bext` and `levl`, libsndfile for `PEAK`, the iXML and ADM element names);
that a gain makes them stale follows from it, no standard lists it.
"""

import re
import struct
from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from stager.containers.bext import FIXED_BYTES, LoudnessFields, has_loudness, history_line, with_history, with_loudness
from stager.containers.fmt import format_for, format_of_stream
from stager.containers.rescaling import (
    CHANNEL_MAP,
    COUNTS_FRAMES,
    REGIONS,
    rescaled_bext,
    rescaled_cue,
    rescaled_fact,
    rescaled_xml,
)
from stager.containers.riff import WIDE_FORMS
from stager.model import StreamInfo

DROPPED: Final = {
    b"levl": "levl, the peak envelope of the original",
    b"MD5 ": "MD5, the checksum of the original's audio",
    b"dbmd": "dbmd, loudness metadata of the original",
}
XML_LOUDNESS: Final = {
    b"iXML": re.compile(rb"<(LOUDNESS|BWF_LOUDNESS_\w+|BWF_MAX_\w+)\b[^<>]*>"),
    b"axml": re.compile(rb"<((?:\w{1,32}:)?loudnessMetadata)\b[^<>]*>"),
}
BIT_DEPTH: Final = re.compile(rb"(<AUDIO_BIT_DEPTH>)\s*\d+\s*(</AUDIO_BIT_DEPTH>)")
REPLAY_GAIN: Final = re.compile(rb"replay_?gain", re.IGNORECASE)
MOST_FLOAT: Final = 3.4028234663852886e38
TAGGED: Final = (b"LIST", b"id3 ", b"ID3 ", b"_PMX")
CLOSING: Final = re.compile(rb"</([\w:]+)>")
SPACE: Final = re.compile(rb"\s{0,256}")
WIDE_BEXT_ALIGN: Final = 2
"""libsndfile 1.2.2 passes over no padding behind the `bext` of an RF64 file, and finds no audio behind an odd one."""
LONGEST_LOOKED_AT: Final = 16 << 20
"""A chunk longer than that is carried without being looked into."""


class Fate(StrEnum):
    """What becomes of a chunk."""

    KEPT = "kept"
    REWRITTEN = "rewritten"
    DROPPED = "dropped"


@dataclass(frozen=True)
class Change:
    """What a copy changes: its stream, whether its level moved, and the words for the coding history."""

    before: StreamInfo
    after: StreamInfo
    what: str

    @property
    def encoding_changes(self) -> bool:
        """Whether samples are stored in another way."""
        return self.before.encoding is not self.after.encoding

    @property
    def stream_changes(self) -> bool:
        """Whether the copy has another rate, or other channels."""
        before, after = self.before, self.after
        return (before.sample_rate_hz, before.channels) != (after.sample_rate_hz, after.channels)

    @property
    def moments_move(self) -> bool:
        """Whether places that count frames are other ones in the copy."""
        return self.before.sample_rate_hz != self.after.sample_rate_hz


@dataclass(frozen=True)
class Judged:
    """What becomes of a chunk: its new payload where it is rewritten, and a sentence where something is not carried.

    `measured` says that figures of the finished copy go into it: the payload has a place for them.
    """

    fate: Fate
    payload: bytes = b""
    note: str | None = None
    measured: bool = False


KEPT: Final = Judged(Fate.KEPT)
FACT_OF_NO_W64: Final = Judged(
    Fate.DROPPED, note="fact, whose size fits no W64 file: readers lose their place behind it"
)
"""libsndfile 1.2.2 reads 8 bytes of a W64 file's `fact`, whatever its size, and looks for the next chunk there."""


def judge_chunk(name: bytes, payload: bytes, change: Change) -> Judged:
    """Return what becomes of a chunk that is not the audio itself."""
    if name in DROPPED:
        return Judged(Fate.DROPPED, note=DROPPED[name])
    if name in XML_LOUDNESS:
        return _judge_xml(name, payload, change)
    judges = {b"fmt ": _judge_format, b"bext": _judge_bext, b"PEAK": _judge_peak, b"fact": _judge_fact}
    if name in judges:
        return judges[name](payload, change)
    if change.stream_changes and (judged := _judge_places(name, payload, change)) is not KEPT:
        return judged
    if name in TAGGED and REPLAY_GAIN.search(payload):
        return Judged(Fate.KEPT, note=f"{_text(name)} is carried, but its replay gain is the original's")
    return KEPT


def _judge_format(payload: bytes, change: Change) -> Judged:
    if change.stream_changes:
        return Judged(Fate.REWRITTEN, format_of_stream(payload, change.after))
    return Judged(Fate.REWRITTEN, format_for(payload, change.after.encoding)) if change.encoding_changes else KEPT


def _judge_fact(payload: bytes, change: Change) -> Judged:
    if change.before.frames == change.after.frames or len(payload) < 4:
        return KEPT
    return Judged(Fate.REWRITTEN, rescaled_fact(payload, change.after))


def _judge_places(name: bytes, payload: bytes, change: Change) -> Judged:
    """Move what counts frames to another rate, or say what is carried and no longer true."""
    if name == b"chna" and change.before.channels != change.after.channels:
        return Judged(Fate.KEPT, note=CHANNEL_MAP)
    if not change.moments_move:
        return KEPT
    if name == b"cue ":
        return Judged(Fate.REWRITTEN, rescaled_cue(payload, change.before, change.after))
    if name == b"LIST" and payload[:4] == b"adtl" and b"ltxt" in payload:
        return Judged(Fate.KEPT, note=REGIONS)
    return Judged(Fate.KEPT, note=COUNTS_FRAMES[name]) if name in COUNTS_FRAMES else KEPT


def _judge_bext(payload: bytes, change: Change) -> Judged:
    if len(payload) < FIXED_BYTES:
        return KEPT
    loud = has_loudness(payload)
    moved = rescaled_bext(payload, change.before, change.after)
    fresh = with_loudness(moved, LoudnessFields()) if loud else moved
    align = WIDE_BEXT_ALIGN if change.before.container in WIDE_FORMS else 1
    grown = with_history(fresh, history_line(change.after, change.what), align=align)
    note = None if grown else "a line of coding history: bext would pass 10,240 bytes"
    return Judged(
        Fate.REWRITTEN if grown or loud or moved != payload else Fate.KEPT, grown or fresh, note, measured=loud
    )


def _judge_peak(payload: bytes, change: Change) -> Judged:
    if len(payload) != 8 + 8 * change.before.channels:
        return Judged(Fate.DROPPED, note="PEAK, whose size fits no such file")
    return Judged(Fate.REWRITTEN, bytes(8 + 8 * change.after.channels), measured=True)


def _judge_xml(name: bytes, payload: bytes, change: Change) -> Judged:
    """Remove the loudness figures, and correct the bit depth."""
    fresh = _without_elements(payload, XML_LOUDNESS[name])
    count = len(payload) - len(fresh)
    fresh = rescaled_xml(fresh, change.before, change.after)
    if change.encoding_changes:
        bits = str(change.after.valid_bits or 8 * change.after.encoding.sample_bytes).encode()
        fresh = BIT_DEPTH.sub(rb"\g<1>" + bits + rb"\g<2>", fresh)
    if fresh == payload:
        return KEPT
    fresh += b" " * (len(fresh) % 2)
    note = f"loudness figures in {_text(name)}, which are the original's" if count else None
    return Judged(Fate.REWRITTEN, fresh, note)


def _without_elements(xml: bytes, opening: re.Pattern[bytes]) -> bytes:
    """Take elements out, each with what it holds and the white space behind it; one that is never closed stays.

    Every byte is looked at a few times at most, however the text is made.
    """
    kept, position, ends = [], 0, defaultdict[bytes, list[int]](list)
    for closing in CLOSING.finditer(xml):
        ends[closing[1]].append(closing.end())
    for found in opening.finditer(xml):
        if found.start() < position:
            continue
        end = found.end() if found[0].endswith(b"/>") else _first_behind(ends[found[1]], found.end())
        if end is not None and (space := SPACE.match(xml, end)):
            kept.append(xml[position : found.start()])
            position = space.end()
    return b"".join((*kept, xml[position:]))


def _first_behind(places: list[int], position: int) -> int | None:
    """Return the first of these ascending positions after `position`."""
    at = bisect_right(places, position)
    return places[at] if at < len(places) else None


def peak_payload(linear: tuple[float, ...], at_frames: tuple[float, ...]) -> bytes:
    """Return a `PEAK` chunk's payload: version 1, no time of day, then each channel's peak and its place."""
    entries = (
        struct.pack("<fI", min(peak, MOST_FLOAT), min(int(place), 0xFFFFFFFF))
        for peak, place in zip(linear, at_frames, strict=True)
    )
    return struct.pack("<II", 1, 0) + b"".join(entries)


def fact_chunk(info: StreamInfo) -> bytes:
    """Return the whole `fact` chunk that every encoding but PCM must have: its count of frames."""
    return b"fact" + struct.pack("<II", 4, min(info.frames, 0xFFFFFFFF))


def _text(name: bytes) -> str:
    return name.decode("ascii", "replace").strip()
