"""What becomes of each chunk when the level or the encoding changes."""

import struct

import pytest

from stager.containers.chunks import DROPPED, Change, Fate, fact_chunk, judge_chunk, peak_payload
from stager.model import Encoding
from tests.support.records import stream
from tests.support.wavefile import format_of

LEVEL = Change(stream(24, 2), stream(24, 2), "gain +3 dB")
DEPTH = Change(stream(24, 2), stream(16, 2), "gain +3 dB")
FLOAT = Change(stream(24, 2), stream(0, 2), "")

KEPT = {
    "unknown": (b"XyZ!", b"anything"),
    "markers": (b"cue ", bytes(28)),
    "format": (b"fmt ", format_of(24, 2)),
    "tags": (b"LIST", b"INFOINAM\4\0\0\0Song"),
    "iXML without loudness": (b"iXML", b"<BWFXML><SCENE>1</SCENE></BWFXML>"),
    "short bext": (b"bext", bytes(100)),
}

XML = {
    "one element": (b"iXML", b"<a><LOUDNESS>-23</LOUDNESS><b/></a>", b"<a><b/></a> "),
    "nested": (b"iXML", b"<a><LOUDNESS><x>1</x></LOUDNESS></a>", b"<a></a> "),
    "empty element": (b"iXML", b"<a><LOUDNESS/></a>", b"<a></a> "),
    "flat fields": (b"iXML", b"<a><BWF_LOUDNESS_VALUE>-2300</BWF_LOUDNESS_VALUE></a>", b"<a></a> "),
    "maximum": (b"iXML", b"<a><BWF_MAX_TRUE_PEAK_LEVEL>1</BWF_MAX_TRUE_PEAK_LEVEL></a>", b"<a></a> "),
    "model": (b"axml", b"<a><ebu:loudnessMetadata t='1'>x</ebu:loudnessMetadata></a>", b"<a></a> "),
}


@pytest.mark.parametrize(("name", "payload"), KEPT.values(), ids=KEPT.keys())
def test_kept(name: bytes, payload: bytes) -> None:
    """What a change of level does not touch is carried byte for byte, without a word."""
    judged = judge_chunk(name, payload, LEVEL)
    assert (judged.fate, judged.note) == (Fate.KEPT, None)


@pytest.mark.parametrize("name", DROPPED)
def test_dropped(name: bytes) -> None:
    """What describes the old samples goes, and that is said."""
    judged = judge_chunk(name, b"abc", LEVEL)
    assert judged.fate is Fate.DROPPED
    assert judged.note == DROPPED[name]


@pytest.mark.parametrize(("name", "payload", "left"), XML.values(), ids=XML.keys())
def test_loudness_in_xml(name: bytes, payload: bytes, left: bytes) -> None:
    """Loudness figures in XML are taken out, whatever stands around them, to an even length."""
    judged = judge_chunk(name, payload, LEVEL)
    assert judged.fate is Fate.REWRITTEN
    assert judged.payload.rstrip() == left.rstrip()
    assert len(judged.payload) % 2 == 0
    assert judged.note is not None
    assert name.decode() in judged.note


def test_bit_depth_in_xml() -> None:
    """The bit depth in iXML follows the encoding, and stays with it."""
    payload = b"<a><AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH></a>"
    assert judge_chunk(b"iXML", payload, LEVEL).fate is Fate.KEPT
    assert b"<AUDIO_BIT_DEPTH>16</AUDIO_BIT_DEPTH>" in judge_chunk(b"iXML", payload, DEPTH).payload
    assert b"<AUDIO_BIT_DEPTH>32</AUDIO_BIT_DEPTH>" in judge_chunk(b"iXML", payload, FLOAT).payload


@pytest.mark.parametrize("name", [b"LIST", b"id3 "])
@pytest.mark.parametrize("text", [b"replaygain_track_gain", b"REPLAY_GAIN", b"ReplayGain"])
def test_replay_gain_is_said(name: bytes, text: bytes) -> None:
    """A playback gain in tags is carried, and it is said whose it is."""
    judged = judge_chunk(name, b"x" + text, LEVEL)
    assert judged.fate is Fate.KEPT
    assert "replay gain is the original's" in (judged.note or "")


def test_format_follows_the_encoding() -> None:
    """Another encoding has another format chunk."""
    judged = judge_chunk(b"fmt ", format_of(24, 2), DEPTH)
    assert (judged.fate, judged.payload) == (Fate.REWRITTEN, format_of(16, 2))


@pytest.mark.parametrize(("version", "measured"), [(1, False), (2, True)])
def test_broadcast_chunk(version: int, measured: bool) -> None:
    """A whole `bext` gets a line of history; from version 2 on it waits for the copy's figures."""
    payload = bytearray(602)
    payload[346] = version
    judged = judge_chunk(b"bext", bytes(payload), LEVEL)
    assert (judged.fate, judged.measured) == (Fate.REWRITTEN, measured)
    assert judged.payload.endswith(b"T=gain +3 dB\r\n")


@pytest.mark.parametrize(("version", "fate"), [(1, Fate.KEPT), (2, Fate.REWRITTEN)])
def test_broadcast_chunk_that_is_full(version: int, fate: Fate) -> None:
    """Where there is no room for a line, that is said; loudness is written anew all the same."""
    payload = bytearray(b"x" * 10_240)
    payload[346:348] = struct.pack("<H", version)
    judged = judge_chunk(b"bext", bytes(payload), LEVEL)
    assert judged.fate is fate
    assert "10,240 bytes" in (judged.note or "")


@pytest.mark.parametrize(
    ("size", "fate"), [(24, Fate.REWRITTEN), (16, Fate.DROPPED), (25, Fate.DROPPED), (0, Fate.DROPPED)]
)
def test_peaks(size: int, fate: Fate) -> None:
    """A `PEAK` chunk of two channels has 24 bytes and waits for the copy's peaks; any other goes."""
    judged = judge_chunk(b"PEAK", bytes(size), LEVEL)
    assert (judged.fate, judged.measured) == (fate, fate is Fate.REWRITTEN)


def test_peak_payload() -> None:
    """Version 1, no clock, then each channel's peak and its whole frame."""
    assert peak_payload((0.5, 0.25), (3.0, 7.9)) == struct.pack("<IIfIfI", 1, 0, 0.5, 3, 0.25, 7)


def test_fact_chunk() -> None:
    """A float file counts its frames, as far as 32 bits go."""
    assert fact_chunk(stream(0, 2, 1000)) == b"fact" + struct.pack("<II", 4, 1000)
    assert fact_chunk(stream(0, 2, 2**33)) == b"fact" + struct.pack("<II", 4, 2**32 - 1)


def test_change_of_encoding() -> None:
    """Only another encoding is a change of it."""
    assert not LEVEL.encoding_changes
    assert DEPTH.encoding_changes
    assert FLOAT.after.encoding is Encoding.FLOAT
