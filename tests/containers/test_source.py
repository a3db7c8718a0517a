"""An open original: exact reads, one sentence for each failure, and no way to write."""

import os
import re
from functools import partial
from pathlib import Path

import pytest

from stager.containers import fingerprint_of, open_audio
from stager.containers import source as room
from stager.containers.source import reading
from stager.errors import ChangedStem, UnreadableStem
from tests.support.folders import written
from tests.support.wavefile import format_of, integers, riff

AUDIO = integers(range(48_000), 16)

FMT = format_of(16, 1)

WHOLE = riff(FMT, AUDIO)

at_rest = partial(open_audio, settle_s=1.0)


@pytest.mark.parametrize(
    ("raised", "says"),
    [
        (PermissionError(13, "Permission denied"), r"a\.wav: .*no permission to read it"),
        (FileNotFoundError(2, "No such file"), r"a\.wav: .*found nothing under this name"),
        (OSError(5, "Input/output error"), r"a\.wav: the system can't read it: Input/output error"),
    ],
)
def test_what_the_system_says_is_translated(raised: OSError, says: str) -> None:
    """Every OSError while a stem is read becomes one sentence about that stem, with its cause kept."""
    with pytest.raises(UnreadableStem, match=says) as found, reading(Path("x/a.wav")):
        raise raised
    assert found.value.__cause__ is raised


def test_other_errors_are_not_swallowed() -> None:
    """What is no OSError is a mistake of ours, and passes."""
    with pytest.raises(ZeroDivisionError), reading(Path("a.wav")):
        raise ZeroDivisionError


def test_reading_past_the_end(tmp_path: Path) -> None:
    """A read gives exactly what was asked for or nothing."""
    with at_rest(written(tmp_path / "a.wav", WHOLE)) as source:
        assert source.read(0, 4) == b"RIFF"
        with pytest.raises(ChangedStem, match="expected 1 bytes"):
            source.read(len(WHOLE), 1)


def test_raw_gives_every_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The raw bytes of a stretch come in portions, and are all of it."""
    monkeypatch.setattr(room, "COPY_BYTES", 1000)
    with at_rest(written(tmp_path / "a.wav", WHOLE)) as source:
        portions = list(source.raw(0, len(WHOLE)))
    assert (b"".join(portions), max(map(len, portions))) == (WHOLE, 1000)


def test_fingerprint_of_the_open_file_is_that_of_its_name(tmp_path: Path) -> None:
    """Both ways of asking give the same, until another file takes the name."""
    path = written(tmp_path / "a.wav", WHOLE)
    with at_rest(path) as source:
        assert source.fingerprint() == fingerprint_of(path)
        written(tmp_path / "b.wav", WHOLE).replace(path)
        assert source.fingerprint() != fingerprint_of(path)


def test_fingerprint_of_nothing(tmp_path: Path) -> None:
    """A name that nothing has any more is a stem that can't be read."""
    with pytest.raises(UnreadableStem, match=re.escape("gone.wav: expected a file, found nothing under this name")):
        fingerprint_of(tmp_path / "gone.wav")


def test_an_original_is_opened_for_reading_only(tmp_path: Path) -> None:
    """The descriptor can't write, and a file without the right to be written is read."""
    path = written(tmp_path / "a.wav", WHOLE)
    path.chmod(0o444)
    with at_rest(path) as source, pytest.raises(OSError, match="Bad file descriptor"):
        os.write(source.descriptor, b"x")
    assert path.read_bytes() == WHOLE
