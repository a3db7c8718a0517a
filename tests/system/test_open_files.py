"""Who holds a file open for writing, as Linux tells it; real processes hold real files."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from stager.system.open_files import Holder, held_for_writing
from tests.support.folders import written

OPENED = "file = open(sys.argv[1], 'r+b')"
MAPPED = "import mmap, os; d = os.open(sys.argv[1], os.O_RDWR); m = mmap.mmap(d, 3); os.close(d)"
READ = "file = open(sys.argv[1], 'rb')"
READ_MAPPED = "import mmap; f = open(sys.argv[1], 'rb'); m = mmap.mmap(f.fileno(), 3, access=mmap.ACCESS_READ)"


@pytest.mark.parametrize(
    ("holding", "writes"),
    [(OPENED, True), (MAPPED, True), (READ, False), (READ_MAPPED, False)],
    ids=["opened", "mapped, its descriptor closed", "opened for reading", "mapped for reading"],
)
def test_who_may_write(tmp_path: Path, holding: str, writes: bool) -> None:
    """One who may still write is named, by descriptor or by mapping; one who only reads is not; it ends with them."""
    path, other = written(tmp_path / "a b.wav", b"abc"), written(tmp_path / "c.wav", b"abc")
    code = f"import sys; {holding}; print('held', flush=True); sys.stdin.read()"
    command = [sys.executable, "-c", code, path]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        found = held_for_writing([path, other, tmp_path / "gone.wav"])
        process.kill()
    assert {path: holder.pid for path, holder in found.items()} == ({path: process.pid} if writes else {})
    assert held_for_writing([path, other]) == {}


def test_our_own_descriptors_do_not_count(tmp_path: Path) -> None:
    """What this process itself has open is not waited for."""
    path = written(tmp_path / "a.wav", b"abc")
    with path.open("r+b"):
        assert held_for_writing([path]) == {}


def test_other_name_of_a_held_file(tmp_path: Path) -> None:
    """A file that is held under another name of it is held."""
    path = written(tmp_path / "take.wav", b"abc")
    os.link(path, tmp_path / "stem.wav")
    code = "import sys; file = open(sys.argv[1], 'ab'); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", code, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        assert held_for_writing([tmp_path / "stem.wav"]).keys() == {tmp_path / "stem.wav"}
        process.kill()


def test_system_that_tells_nothing(tmp_path: Path) -> None:
    """Without /proc nothing is known, and nothing is waited for."""
    path = written(tmp_path / "a.wav", b"abc")
    assert held_for_writing([path], proc=tmp_path / "no-proc") == {}


def test_holder_reads_like_a_line_of_a_process_list() -> None:
    """A person finds the process by its name and number."""
    assert str(Holder(12, "recorder")) == "recorder (process 12)"
