"""The recorder: run as its own process, seen half-written, and unwilling to overwrite."""

import hashlib
import json
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from stager.demo import recorder
from stager.demo.song import SONG, wav_bytes
from stager.demo.synthesis import Codes

Rendered = Callable[[str], Codes]

_FIDDLE = "fiddle_main.wav"
_LUTE = "lute.wav"


def _command(inbox: Path, log: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "stager.demo.recorder", str(inbox), str(log), *more]


def _sizes(path: Path) -> tuple[int, int] | None:
    """What the file's header promises as data bytes, and how many bytes there are; None before there is a header."""
    try:
        with path.open("rb") as file:
            header = file.read(44)
            return None if len(header) < 44 else (struct.unpack("<I", header[40:44])[0], path.stat().st_size)
    except FileNotFoundError:
        return None


def _watched(process: subprocess.Popen[str], path: Path) -> Iterator[tuple[int, int]]:
    """Look at a file every few milliseconds until its process has ended, and once more."""
    running = True
    while running:
        running = process.poll() is None
        sizes = _sizes(path)
        if sizes:
            yield sizes
        time.sleep(0.005)


def _lines(log: Path) -> list[dict[str, str | int]]:
    return [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]


def test_a_stem_grows_in_sight_and_its_header_comes_last(tmp_path: Path) -> None:
    """While the file grows its header promises nothing; the true sizes stand there only when all bytes do."""
    command = _command(tmp_path, tmp_path / "log", "--only", _FIDDLE, "--pace", "0.6")
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        seen = list(_watched(process, tmp_path / _FIDDLE))
        assert process.wait() == 0
    whole = 44 + 384_000 * 3
    growing = [size for promised, size in seen if promised == 0]
    assert len(set(growing)) >= 3
    assert min(growing) < whole
    assert {sizes for sizes in seen if sizes[0]} == {(384_000 * 3, whole)}


def test_finished_files_are_the_render_and_the_log_says_so(tmp_path: Path, rendered: Rendered) -> None:
    """Each file parses with struct alone and equals its render; the log has its digest and its times, in order."""
    began_ns = time.time_ns()
    command = _command(tmp_path, tmp_path / "log", "--only", _LUTE, "--only", _FIDDLE, "--pace", "0")
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    lines = _lines(tmp_path / "log")
    assert [line["name"] for line in lines] == [_FIDDLE, _LUTE]
    assert done.stdout == ""
    assert done.stderr.splitlines() == [f"bounced {_FIDDLE}", f"bounced {_LUTE}"]
    for line in lines:
        content = (tmp_path / str(line["name"])).read_bytes()
        assert struct.unpack("<4sI", content[:8]) == (b"RIFF", len(content) - 8)
        assert content == b"".join(wav_bytes(rendered(str(line["name"]))))
        assert line["sha256"] == hashlib.sha256(content).hexdigest()
        assert began_ns < int(line["opened_at_ns"]) < int(line["closed_at_ns"]) < time.time_ns()


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With one file there already nothing is written at all; the exit is 2 with one sentence."""
    (tmp_path / _LUTE).write_bytes(b"someone's own")
    assert recorder.main([str(tmp_path), str(tmp_path / "log"), "--pace", "0"]) == 2
    assert capsys.readouterr().err == f"{tmp_path / _LUTE} is already there, and a recorder never overwrites.\n"
    assert [path.name for path in tmp_path.iterdir()] == [_LUTE]
    assert (tmp_path / _LUTE).read_bytes() == b"someone's own"


def test_a_file_that_appears_meanwhile_is_not_overwritten_either(tmp_path: Path) -> None:
    """Between the look at the inbox and the writing the system itself refuses."""
    part = SONG[0]
    (tmp_path / part.name).write_bytes(b"late")
    with pytest.raises(FileExistsError):
        recorder.bounce(part, tmp_path, 0.0)
    assert (tmp_path / part.name).read_bytes() == b"late"


def test_an_inbox_that_is_no_folder_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A missing inbox is exit 2, and is not made."""
    assert recorder.main([str(tmp_path / "none"), str(tmp_path / "log")]) == 2
    assert "is not a folder" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def test_a_part_that_the_song_lacks_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown name is exit 2, and the sentence lists the parts there are."""
    assert recorder.main([str(tmp_path), str(tmp_path / "log"), "--only", "kazoo.wav"]) == 2
    assert "no part kazoo.wav; it has harmonium_L.wav" in capsys.readouterr().err


def test_a_log_that_cannot_be_written_is_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A log in a folder that isn't there is exit 2 with its path."""
    arguments = [str(tmp_path), str(tmp_path / "none" / "log"), "--only", _FIDDLE, "--pace", "0"]
    assert recorder.main(arguments) == 2
    assert f"{tmp_path / 'none' / 'log'} can't be written" in capsys.readouterr().err
