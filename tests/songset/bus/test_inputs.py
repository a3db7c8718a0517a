"""Which parts are in a sum, where they start, and work begun again without a lost one."""

from pathlib import Path

import pytest

from stager.errors import ChangedStem, UnreadableStem
from stager.model.bus import LeftOut, Part
from stager.songset.bus.channel import PartLost, part_of
from stager.songset.bus.inputs import MixInputs, summed
from tests.support import wavefile
from tests.support.direct_sum import RATE_HZ, bext
from tests.support.signals import white_noise

pytestmark = pytest.mark.long


def stem(folder: Path, name: str, frames: int = 100, stamp: int | None = None, rate_hz: int = RATE_HZ) -> Part:
    chunks = () if stamp is None else ((b"bext", bext(stamp)),)
    return part_of(wavefile.write(folder / f"{name}.wav", white_noise(frames), rate_hz, before=chunks), name)


def seen(inputs: MixInputs) -> tuple[dict[str, int], int]:
    """The inputs's channels with their places, and its length."""
    return {channel.part.name: channel.first for channel in inputs.channels}, inputs.frames


def test_places_by_time_stamps(tmp_path: Path) -> None:
    """The earliest stamp is time 0; the sum ends with the last stem."""
    parts = [stem(tmp_path, "a", 100, 5_000), stem(tmp_path, "b", 200, 4_950), stem(tmp_path, "c", 10)]
    places, frames = summed(parts, seen)
    assert places == {"a": 50, "b": 0, "c": 0}
    assert frames == 200
    assert summed(parts, lambda inputs: (inputs.zero_stamp, inputs.without_stamp)) == (4_950, ("c",))


def test_a_stamp_hours_away(tmp_path: Path) -> None:
    """One of three stems is stamped an hour off: it starts at 0 and is named; the sum stays a song long."""
    hour = 3600 * RATE_HZ
    parts = [stem(tmp_path, "a", stamp=hour), stem(tmp_path, "b", stamp=hour + 40), stem(tmp_path, "c", stamp=0)]
    assert summed(parts, seen) == ({"a": 0, "b": 40, "c": 0}, 140)
    assert summed(parts, lambda inputs: inputs.doubted) == ("c",)


def test_the_rate_that_most_have(tmp_path: Path) -> None:
    """A stem of another rate is out, and said to be; without a majority the first decides."""
    parts = [stem(tmp_path, "a", rate_hz=44_100), stem(tmp_path, "b"), stem(tmp_path, "c")]
    assert summed(parts, seen)[0].keys() == {"b", "c"}
    assert summed(parts[:2], seen)[0].keys() == {"a"}
    (left,) = summed(parts, lambda inputs: inputs.left_out)
    assert left == LeftOut(
        name="a", reason="rate_differs", says="a: expected 48000 Hz as most stems have, found 44100 Hz"
    )


def test_work_is_begun_again_without_a_lost_part(tmp_path: Path) -> None:
    """Twice something is lost on the way: the third run has the rest, and both are named."""
    parts = [stem(tmp_path, name) for name in "abcd"]
    runs = []

    def work(inputs: MixInputs) -> tuple[str, ...]:
        names = tuple(channel.part.name for channel in inputs.channels)
        runs.append(names)
        for lost in ("c", "a"):
            if lost in names:
                raise PartLost(parts["abcd".index(lost)], ChangedStem(lost, "gone"))
        return (*names, *(left.name for left in inputs.left_out))

    assert summed(parts, work) == ("b", "d", "c", "a")
    assert runs == [("a", "b", "c", "d"), ("a", "b", "d"), ("b", "d")]


def test_a_lost_part_takes_its_namesake_along(tmp_path: Path) -> None:
    """Original and copy go together: one that can't be read leaves neither."""
    (tmp_path / "broken.wav").write_bytes(b"no audio")
    parts = [stem(tmp_path, "a"), stem(tmp_path, "b"), part_of(tmp_path / "broken.wav", "a")]
    assert summed(parts, seen)[0].keys() == {"b"}


def test_a_file_read_on_the_side_is_no_part(tmp_path: Path) -> None:
    """Its error is the caller's."""

    def work(_: MixInputs) -> None:
        raise PartLost(stem(tmp_path, "mix"), UnreadableStem("mix", "no"))

    with pytest.raises(UnreadableStem, match="mix: no"):
        summed([stem(tmp_path, "a")], work)
