"""Folders of a test: files written with an age, a folder in memory, and what a folder holds."""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory


def written(path: Path, content: bytes, *, age_s: float = 0.0) -> Path:
    """Write a file, with the folders above it, as if it had last changed so long ago."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    if age_s:
        then = time.time() - age_s
        os.utime(path, (then, then))
    return path


@contextmanager
def in_memory() -> Iterator[Path]:
    """Yield a new folder on a disk in memory where the system has one, for tests that sync a thousand times."""
    shared = Path("/dev/shm")  # noqa: S108 - a new folder in it, under a name of its own
    with TemporaryDirectory(dir=shared if os.access(shared, os.W_OK) else None) as folder:
        yield Path(folder)


def tree(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes, hidden ones too."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
