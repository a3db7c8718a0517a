"""AIFF, CAF and FLAC staged to a full disk: one sentence about the place, nothing half-written, no stem blamed."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.roundtrip.originals import TOML, part
from tests.support import foreign_files
from tests.support.command import HUNG_S, Command
from tests.support.song import Song

ON_A_SMALL_DISK = 'mount -t tmpfs -o size=1m tmpfs "$1" && "$2" stage "$3"; code=$?; ls -A "$1"; exit $code'
"""Runs in a mount namespace of its own; lists what is left on the disk of 1 MiB, which ends with it."""


def _can_mount() -> bool:
    if sys.platform != "linux":
        return False
    line = ["unshare", "-m", "sh", "-c", "mount -t tmpfs tmpfs /mnt"]
    return subprocess.run(line, capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not _can_mount(), reason="needs the right to mount in a namespace of its own")
@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_a_full_disk_is_told_as_such(stager: Command, tmp_path: Path, form: str) -> None:
    """A copy of 1.8 MB for a disk of 1 MiB ends in "expected room", exit status 2, and no draft is left on it."""
    song = Song.made(stager, tmp_path / "song", TOML)
    (song.inbox / f"a.{form.lower()}").write_bytes(foreign_files.written(part(300_000, 2, 11), form, "PCM_24"))
    line = ["unshare", "-m", "sh", "-c", ON_A_SMALL_DISK, "sh", song.outbox, stager.path, song.folder]
    done = subprocess.run(line, capture_output=True, text=True, timeout=HUNG_S, check=False)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "expected room to write its copy" in " ".join(done.stderr.split())
    assert not [name for name in done.stdout.splitlines() if name.startswith((".stager-", "a."))]
