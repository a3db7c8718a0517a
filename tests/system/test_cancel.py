"""Told to stop, every read ends at its next block and leaves nothing; afterwards work goes on as before."""

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stager.analysis.analyse import analyse
from stager.containers import open_audio
from stager.containers.source import BLOCK_SAMPLES
from stager.errors import StagerError, StemError, Stopped
from stager.model import StemName
from stager.staging import prepare as room
from stager.staging.prepare import Prepared, prepare, rehearse
from stager.staging.stem import StemJob
from stager.system.cancel import allow_work, check_stop, request_stop
from tests.support.folders import tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav

FRAMES = 3 * BLOCK_SAMPLES


def encoded(form: str) -> bytes:
    """Three blocks of noise in another container."""
    out = io.BytesIO()
    soundfile.write(out, white_noise(FRAMES), 48_000, format=form, subtype="PCM_16")
    return out.getvalue()


FILES = {
    "wav": lambda: wav(white_noise(FRAMES)),
    "float wav": lambda: float_wav(white_noise(FRAMES)),
    "aiff": lambda: encoded("AIFF"),
    "flac": lambda: encoded("FLAC"),
}
CONTAINERS = pytest.mark.parametrize("content", FILES.values(), ids=FILES.keys())


@pytest.fixture(autouse=True)
def _allowed() -> Iterator[None]:
    """Leave no request behind for other tests."""
    yield
    allow_work()


def test_nobody_is_told_at_first() -> None:
    """Work goes on as long as nobody asks for a stop."""
    check_stop()


def test_request_holds_until_it_is_taken_back() -> None:
    """A request ends every look, not the first one alone, until new work begins; asking twice is asking once."""
    request_stop()
    request_stop()
    for _ in range(2):
        with pytest.raises(Stopped, match="told to stop"):
            check_stop()
    allow_work()
    check_stop()


def test_a_stop_is_nobodys_fault() -> None:
    """A stop is an error of ours, but of no stem, so that none is recorded as bad for it."""
    assert issubclass(Stopped, StagerError)
    assert not issubclass(Stopped, StemError)


@CONTAINERS
def test_read_ends_at_the_next_block(tmp_path: Path, content: Callable[[], bytes]) -> None:
    """Of three blocks one is read, then the stop is asked for, and the second does not come."""
    path = written(tmp_path / "a", content(), age_s=100.0)
    with open_audio(path, settle_s=1.0) as file:
        blocks = file.blocks()
        assert len(next(blocks)) == BLOCK_SAMPLES
        request_stop()
        with pytest.raises(Stopped):
            next(blocks)


@CONTAINERS
def test_hearing_ends(tmp_path: Path, content: Callable[[], bytes]) -> None:
    """A file is not heard once a stop was asked for, and is when that was taken back."""
    path = written(tmp_path / "a", content(), age_s=100.0)
    request_stop()
    with pytest.raises(Stopped):
        analyse(path, "a", settle_s=1.0)
    allow_work()
    assert analyse(path, "a", settle_s=1.0).source.frames == FRAMES


def test_bytes_around_the_samples_are_reads_too(tmp_path: Path) -> None:
    """A stop ends the reading of a long chunk behind the samples as well."""
    path = written(tmp_path / "a.wav", wav(white_noise(100), after=[(b"junk", bytes(3 << 20))]), age_s=100.0)
    with open_audio(path, settle_s=1.0) as file:
        portions = file.raw(0, file.file_bytes)
        assert len(next(portions)) == 1 << 20
        request_stop()
        with pytest.raises(Stopped):
            next(portions)


@pytest.mark.parametrize("call", [prepare, rehearse])
def test_stopped_before_it_is_heard(tmp_path: Path, call: Callable[[StemJob], object]) -> None:
    """A stem that is not even heard leaves nothing."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(white_noise(FRAMES, rms=0.02)), age_s=100.0)
    before = tree(tmp_path)
    request_stop()
    with pytest.raises(Stopped):
        call(StemJob(song, StemName("a.wav")))
    assert tree(tmp_path) == before


@CONTAINERS
def test_stopped_while_its_copy_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: Callable[[], bytes]
) -> None:
    """A stem that was heard, and whose copy is stopped, leaves no draft; asked again, it is prepared."""
    song, real = project(tmp_path, '[project]\ninclude = ["*"]\n'), room.draft_in
    written(song.inbox / "a", content(), age_s=100.0)
    before = tree(tmp_path)

    def stopping(folder: Path, below: Path | None = None) -> object:
        request_stop()
        return real(folder, below)

    with monkeypatch.context() as patch:
        patch.setattr(room, "draft_in", stopping)
        with pytest.raises(Stopped):
            prepare(StemJob(song, StemName("a")))
    assert tree(tmp_path) == before
    allow_work()
    made = prepare(StemJob(song, StemName("a")))
    assert isinstance(made, Prepared)
    made.discard()


def test_a_stop_changes_no_sample(tmp_path: Path) -> None:
    """What was read before a stop is what is there."""
    samples = white_noise(FRAMES)
    path = written(tmp_path / "a.wav", float_wav(samples), age_s=100.0)
    seen = []
    with open_audio(path, settle_s=1.0) as file:
        for block in file.blocks():
            seen.append(block)
            if len(seen) == 3:
                request_stop()
    assert np.array_equal(np.concatenate(seen), samples.astype(np.float32).astype(np.float64))
