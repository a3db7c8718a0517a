"""Places that count frames, at another rate: the same moments, by the arithmetic of the rates."""

import struct

import pytest

from stager.containers.chunks import Change, Fate, judge_chunk
from stager.containers.rescaling import rescaled
from stager.model import StreamInfo
from tests.support.records import stream
from tests.support.wavefile import format_of

BEFORE = stream(24, 2, 48_000, rate_hz=48_000)
AFTER = stream(24, 2, 44_100, rate_hz=44_100)
CHANGE = Change(BEFORE, AFTER, "resample")


def judged(name: bytes, payload: bytes, after: StreamInfo = AFTER) -> bytes:
    found = judge_chunk(name, payload, Change(BEFORE, after, "steps"))
    assert found.fate is Fate.REWRITTEN
    return found.payload


@pytest.mark.parametrize("frames", [0, 1, 47_999, 48_000, 2**40 + 7])
def test_a_frame_stays_at_its_moment(frames: int) -> None:
    """To the nearest frame, halves up, also far beyond what a float counts exactly."""
    exact = frames * 44_100 * 2 + 48_000
    assert rescaled(frames, BEFORE, AFTER) == exact // 96_000


def test_the_format_chunk_has_the_new_rate_and_channels() -> None:
    """Rate, bytes a second and bytes a frame are those of the copy."""
    assert judged(b"fmt ", format_of(24, 2, 48_000)) == format_of(24, 2, 44_100)
    mono = stream(24, 1, 48_000)
    assert judged(b"fmt ", format_of(24, 2, 48_000), mono) == format_of(24, 1, 48_000)


def test_an_extensible_format_keeps_its_valid_bits() -> None:
    """20 bits in 24 stay 20 bits in 24 at another rate."""
    after = stream(20, 2, 44_100, rate_hz=44_100, encoding=AFTER.encoding)
    assert judged(b"fmt ", format_of(24, 2, 48_000, valid_bits=20), after) == format_of(24, 2, 44_100, valid_bits=20)


def test_cue_points_stay_at_their_moments() -> None:
    """Both places of each point count frames of the copy; names and blocks stay."""
    points = [(1, 48_000, b"data", 0, 0, 48_000), (2, 96_001, b"data", 0, 0, 96_001)]
    moved = [(1, 44_100, b"data", 0, 0, 44_100), (2, 88_201, b"data", 0, 0, 88_201)]

    def packed(listed: list[tuple[int, int, bytes, int, int, int]]) -> bytes:
        return struct.pack("<I", len(listed)) + b"".join(struct.pack("<II4sIII", *point) for point in listed)

    assert judged(b"cue ", packed(points)) == packed(moved)


def test_a_cue_chunk_that_lies_about_its_points_is_no_fault() -> None:
    """More points than there are bytes for: those that are there are moved."""
    payload = struct.pack("<I", 9) + struct.pack("<II4sIII", 1, 48_000, b"data", 0, 0, 48_000)
    assert judged(b"cue ", payload)[4:] == struct.pack("<II4sIII", 1, 44_100, b"data", 0, 0, 44_100)


def test_the_time_stamp_of_a_broadcast_file_is_rescaled() -> None:
    """Ten hours after midnight is ten hours after midnight."""
    bext = bytearray(602)
    struct.pack_into("<Q", bext, 338, 36_000 * 48_000)
    assert struct.unpack_from("<Q", judged(b"bext", bytes(bext)), 338)[0] == 36_000 * 44_100


def test_time_stamps_in_xml_are_rescaled() -> None:
    """Two halves of 32 bits make one count of frames; the rates beside them are the copy's."""
    frames = 30 * 3_600 * 48_000
    high, low = frames >> 32, frames & 0xFFFFFFFF
    xml = (
        f"<BWFXML><SPEED><FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{high}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{low}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>"
    )
    moved = 30 * 3_600 * 44_100
    wanted = xml.replace("48000<", "44100<").replace(f">{high}<", f">{moved >> 32}<")
    wanted = wanted.replace(f">{low}<", f">{moved & 0xFFFFFFFF}<")
    assert judged(b"iXML", xml.encode()).rstrip() == wanted.encode()


def test_the_count_of_frames_is_the_copys() -> None:
    """`fact` has the number of frames."""
    assert judged(b"fact", struct.pack("<I", 48_000)) == struct.pack("<I", 44_100)


def test_loops_are_carried_with_a_word() -> None:
    """What is not rescaled is said."""
    found = judge_chunk(b"smpl", bytes(36), CHANGE)
    assert (found.fate, found.note) == (Fate.KEPT, "smpl is carried, but its loops count frames of the original")


def test_regions_and_channel_maps_are_carried_with_a_word() -> None:
    """Lengths of regions at another rate, and a map of channels that are no more, are said."""
    regions = judge_chunk(b"LIST", b"adtlltxt" + bytes(24), CHANGE)
    assert (regions.fate, "lengths of its regions" in str(regions.note)) == (Fate.KEPT, True)
    folded = judge_chunk(b"chna", bytes(44), Change(BEFORE, stream(24, 1, 48_000), "fold"))
    assert (folded.fate, "names the channels of the original" in str(folded.note)) == (Fate.KEPT, True)


@pytest.mark.parametrize("name", [b"fmt ", b"cue ", b"fact", b"iXML", b"smpl"])
def test_without_steps_nothing_of_this_happens(name: bytes) -> None:
    """A trim alone keeps them byte for byte."""
    payload = format_of(24, 2) if name == b"fmt " else struct.pack("<I", 48_000)
    assert judge_chunk(name, payload, Change(BEFORE, BEFORE, "gain")).fate is Fate.KEPT
