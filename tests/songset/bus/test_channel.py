"""One file of a sum: any stretch of it, from any container, and what becomes of a file that fails."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from stager.model.bus import Part
from stager.songset.bus.channel import MixChannel, PartLost, mix_channel_of, part_of
from tests.support import wavefile
from tests.support.direct_sum import RATE_HZ, Array, bext
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import wav

pytestmark = pytest.mark.long

FRAMES = 300_001
STRETCHES = [(0, 10), (5, 140_000), (140_000, 140_001), (140_001, FRAMES + 50), (100, 200), (-20, 30)]
"""In order, with a step back, and beyond both ends."""


def pieces(channel: MixChannel, start: int, stop: int) -> Array:
    """A stretch put together, zeros where nothing came."""
    out = np.zeros((stop - start, channel.info.channels))
    for at, block in channel.frames(start, stop):
        assert len(block)
        out[at - start : at - start + len(block)] += block
    return out


def wanted(samples: Array, first: int, start: int, stop: int) -> Array:
    padded = np.zeros((first + len(samples) + 1000, samples.shape[1]))
    padded[first : first + len(samples)] = samples
    out = np.zeros((stop - start, samples.shape[1]))
    out[max(0, -start) :] = padded[max(0, start) : stop]
    return out


@pytest.mark.parametrize("suffix", ["wav", "flac", "aiff"])
@pytest.mark.parametrize("first", [0, 777])
def test_any_stretch(tmp_path: Path, suffix: str, first: int) -> None:
    """Samples of any stretch, whatever the container, in order, again, and beyond both ends."""
    samples = np.rint(white_noise(FRAMES, 2) * 2**23) / 2**23
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, np.rint(samples * 2**23).astype(np.int32) << 8, RATE_HZ, "PCM_24")
    channel = mix_channel_of(part_of(path, "a"))
    channel.first = first
    for start, stop in STRETCHES:
        assert np.array_equal(pieces(channel, start, stop), wanted(samples, first, start, stop))


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_no_file_is_left_open(tmp_path: Path) -> None:
    """No file has a descriptor open between two stretches, so that any number of them can be summed."""
    soundfile.write(tmp_path / "a.flac", white_noise(FRAMES), RATE_HZ)
    written(tmp_path / "a.wav", wav(white_noise(FRAMES)))
    before = open_files()
    for name in ("a.wav", "a.flac"):
        channel = mix_channel_of(part_of(tmp_path / name, name))
        pieces(channel, 0, 1000)
        assert open_files() == before


def test_a_file_that_changes_is_lost(tmp_path: Path) -> None:
    """Another file under the name, between header and samples."""
    path = written(tmp_path / "a.wav", wav(white_noise(1000)))
    channel = mix_channel_of(part_of(path, "drums/a.wav"))
    written(path, wav(white_noise(1000, seed=2)), age_s=5.0)
    with pytest.raises(PartLost, match="it changed while the sum was made") as lost:
        pieces(channel, 0, 100)
    assert (lost.value.left_out.name, lost.value.left_out.reason) == ("drums/a.wav", "changed_while_read")


@pytest.mark.parametrize("stamp", [0, 1, 2**32 + 5])
def test_the_time_stamp_of_a_part(tmp_path: Path, stamp: int) -> None:
    """The 64-bit time reference of `bext`, low word first (EBU Tech 3285)."""
    path = wavefile.write(tmp_path / "a.wav", white_noise(10), before=((b"bext", bext(stamp)),))
    assert part_of(path, "a", gain_db=-1.5, pan=0.5) == Part(
        path=path, name="a", gain_db=-1.5, pan=0.5, start_frames=stamp
    )


def test_parts_without_a_time_stamp(tmp_path: Path) -> None:
    """No `bext`, no WAVE file, no file at all: no time stamp, and no error yet."""
    plain = written(tmp_path / "a.wav", wav(white_noise(10)))
    soundfile.write(tmp_path / "a.flac", white_noise(10), RATE_HZ)
    for path in (plain, tmp_path / "a.flac", tmp_path / "none.wav"):
        assert part_of(path, "a").start_frames is None
