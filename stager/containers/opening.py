"""Opens a file of audio, whatever its container, by what its first bytes say."""

import os
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final

from stager.containers.fmt import SAMPLE_RATES_HZ
from stager.containers.foreign import is_foreign
from stager.containers.sndfile import parse_foreign
from stager.containers.source import AudioFile, KeptBytes, reading
from stager.containers.wave import is_wave, parse_wave
from stager.errors import StemError, StillGrowingStem, TruncatedStem, UnreadableStem, UnsupportedStem
from stager.system.files import open_source
from stager.system.printable import shown

MAGIC_BYTES: Final = 40
STAGED: Final = "expected WAV, RF64, BW64, W64, AIFF, CAF or FLAC"
NOT_STAGED: Final = {
    b"RIFX": "big-endian RIFF",
    b"OggS": "Ogg, which is lossy or rare",
    b"ID3\x02": "MP3, which is lossy",
    b"ID3\x03": "MP3, which is lossy",
    b"ID3\x04": "MP3, which is lossy",
    b"\xff\xfb": "MP3, which is lossy",
}


@contextmanager
def open_audio(
    path: Path, *, settle_s: float, take_cut: bool = False, kept: KeptBytes | None = None
) -> Iterator[AudioFile]:
    """Open a file of audio for reading only; the file is neither locked nor changed.

    A file whose header and length disagree is refused; with `take_cut` one that was cut short is given as far as it
    goes. `settle_s` is how long ago it must have changed before a wrong header counts as final. With `kept`, bytes that
    were read before are not read again; who opens it so must see that it is the same file still.

    Raises:
        UnreadableStem: not a regular file, not audio, without frames, or not permitted.
        UnsupportedStem: audio of another container or encoding, or with too many channels.
        StillGrowingStem: header and length disagree, and it changed within `settle_s`.
        TruncatedStem: they disagree, and it has been at rest for longer.
    """
    with reading(path):
        descriptor = open_source(path)
    try:
        yield replace(_parse(path, descriptor, settle_s, take_cut=take_cut), kept=kept)
    finally:
        os.close(descriptor)


def _parse(path: Path, descriptor: int, settle_s: float, *, take_cut: bool) -> AudioFile:
    state = os.fstat(descriptor)
    if not stat.S_ISREG(state.st_mode):
        raise UnreadableStem(shown(path.name), "expected a regular file, found a folder, pipe or device")
    with reading(path):
        head = os.pread(descriptor, MAGIC_BYTES, 0)
    source = _open_by(head, path, descriptor, state.st_size)
    low, high = SAMPLE_RATES_HZ
    if not low <= source.info.sample_rate_hz <= high:
        found = f"{source.info.sample_rate_hz} Hz"
        raise UnsupportedStem(shown(path.name), f"expected a sample rate of {low} to {high} Hz, found {found}")
    if source.unfinished:
        _refuse_unfinished(source, time.time() - state.st_mtime, settle_s, take_cut=take_cut)
    if source.info.frames == 0:
        raise UnreadableStem(shown(path.name), "expected audio, found a header with 0 frames behind it")
    return source


def _open_by(head: bytes, path: Path, descriptor: int, file_bytes: int) -> AudioFile:
    if is_wave(head):
        return parse_wave(path, descriptor, file_bytes)
    if is_foreign(head):
        return parse_foreign(path, descriptor, file_bytes, head)
    raise _unknown(path, head)


def _refuse_unfinished(source: AudioFile, age_s: float, settle_s: float, *, take_cut: bool) -> None:
    """Raise that header and length disagree: for now, or, at rest, for good."""
    name, why, there_s = shown(source.path.name), source.unfinished, source.info.duration_s
    if abs(age_s) < settle_s:
        raise StillGrowingStem(name, f"{why}, and it changed {abs(age_s):.1f} s ago: still being written")
    if take_cut:
        return
    if source.promised_s is not None:
        promised = f"{source.promised_s:.2f} s as its header says"
        raise TruncatedStem(name, f"expected {promised}, found {there_s:.2f} s: {why}")
    if source.info.frames == 0:
        raise UnreadableStem(name, "expected audio, found none behind a header that was never finished")
    raise TruncatedStem(name, f"{why}: {there_s:.2f} s of audio are there, whether it is all of it can't be known")


def _unknown(path: Path, head: bytes) -> StemError:
    """Return the error for a file that is not staged: other audio, or none."""
    name = shown(path.name)
    for magic, found in NOT_STAGED.items():
        if head.startswith(magic):
            return UnsupportedStem(name, f"{STAGED}, found {found}")
    found = repr(head[:12].decode("latin-1")) if head else "an empty file"
    return UnreadableStem(name, f"{STAGED}, found {found}")
