"""Sets that are larger than a song, and checks that are stopped: the installed command as its own process."""

import json
import signal
import sys
import time
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S
from tests.support.processes import wait_for
from tests.support.reference_levels import true_peak_dbtp
from tests.support.signals import band_limited_noise
from tests.support.song import Song, SongMaker
from tests.support.wavefile import FLOAT, PCM_16

pytestmark = pytest.mark.long

RATE: Final = 48_000
MANY: Final = 450
CEILING_DBTP: Final = 0.0
PROJECT: Final = '[project]\nname = "Salt Road"\nsettle_s = 0.2\n'
STOPPED_S: Final = 30.0
"""Far more than a stop takes: after it, the command hangs."""


def crowded(song: Song, stems: int = MANY) -> list[str]:
    """Put many stereo stems of half a second into a song, each of its own noise."""
    rng, names = np.random.default_rng(7), [f"part_{number:03d}.wav" for number in range(stems)]
    for name in names:
        song.put(name, band_limited_noise(rng, -30.0, RATE // 2, 2), RATE, FLOAT)
    return names


def test_more_stems_than_are_compared_are_examined_in_all_else(make_song: SongMaker, tmp_path: Path) -> None:
    """450 stems: the watch writes check.json with the bus, moves all trims by its offset, and counts the pairs."""
    song = make_song(f"{PROJECT}[bus]\nceiling_dbtp = {CEILING_DBTP}\napply = true\n")
    names, log = crowded(song), tmp_path / "log"
    with song.stager.started("watch", song.folder, "--until-idle", "1", log=log) as watch:
        assert watch.wait(3 * HUNG_S) == 0, log.read_text()
    found = json.loads((song.folder / ".stager" / "check.json").read_text())
    assert found["stems"] == MANY
    assert found["pairs_compared"] == 0
    assert found["pairs_left_out"] == MANY * (MANY - 1) // 2
    (offset,) = {song.sidecar(name)["trim"]["bus_offset_db"] for name in names}
    assert offset < 0.0
    total = np.sum([song.copy(name).samples() for name in names], axis=0)
    assert CEILING_DBTP - 0.11 <= true_peak_dbtp(total) <= CEILING_DBTP + 0.01
    assert found["bus"]["true_peak_dbtp"] == pytest.approx(true_peak_dbtp(total), abs=0.05)
    page = song.stager("check", song.folder).stdout
    assert f"{MANY * (MANY - 1) // 2} pairs were not compared" in page


def alike(song: Song, stems: int, seconds: float) -> None:
    """Put stems that are all worth comparing: one performance of noise bursts, each time with noise of its own."""
    rng = np.random.default_rng(8)
    frames = round(seconds * RATE)
    bursts = np.repeat(rng.random(round(seconds * 10)) ** 3, RATE // 10)[:frames, None]
    for number in range(stems):
        song.put(f"part_{number}.wav", 0.1 * bursts * rng.normal(size=(frames, 2)).clip(-3, 3), RATE, PCM_16)


def _is_reading(pid: int, song: Song) -> bool:
    """Return whether a process has one of the song's stems open, or has ended."""
    try:
        opened = [str(entry.readlink()) for entry in Path(f"/proc/{pid}/fd").iterdir()]
    except OSError:
        return not Path(f"/proc/{pid}/fd").exists()
    return any(path.startswith(str(song.inbox)) for path in opened)


@pytest.mark.skipif(sys.platform != "linux", reason="open files are told by /proc")
@pytest.mark.parametrize("after_s", [0.0, 2.5, 5.5])
def test_a_check_that_is_stopped_ends(make_song: SongMaker, tmp_path: Path, after_s: float) -> None:
    """SIGINT while stems are read or compared is exit 130 soon after, with nothing written."""
    song, log = make_song(PROJECT), tmp_path / "log"
    alike(song, 12, 60.0)
    with song.stager.started("check", song.folder, "--json", log=log) as check:
        wait_for(lambda: _is_reading(check.pid, song))  # a job in the background ignores SIGINT before it has begun
        time.sleep(after_s)
        running = check.poll() is None
        check.send_signal(signal.SIGINT)
        code = check.wait(STOPPED_S)
    assert code == (130 if running else 0)
    assert "Traceback" not in log.read_text()
    assert {path.name for path in song.folder.iterdir()} == {"stager.toml", "bounces", "staged"}


def test_starts_stand_in_the_notes(make_song: SongMaker) -> None:
    """Time stamps of broadcast headers (EBU Tech 3285) become starts on the page, counted from the earliest."""
    song, rng = make_song(PROJECT), np.random.default_rng(3)
    for name, start in (("early.wav", 3600 * RATE), ("late.wav", 3600 * RATE + 120_000)):
        bext = bytearray(602)
        bext[338:346] = start.to_bytes(8, "little")
        song.put(name, band_limited_noise(rng, -20.0, RATE, 1), RATE, FLOAT, before=[(b"bext", bytes(bext))])
    assert song.stager("watch", song.folder, "--until-idle", "6").code == 0
    assert song.stager("report", song.folder).code == 0
    rows = [line for line in (song.outbox / "notes.md").read_text("utf-8").splitlines() if ".wav" in line]
    assert "| 0:00.000 |" in next(row for row in rows if "early" in row)
    assert "| 0:02.500 |" in next(row for row in rows if "late" in row)
    assert wavefile.read(song.outbox / "late.wav").payload(b"bext")[338:346] == (3600 * RATE + 120_000).to_bytes(
        8, "little"
    )
