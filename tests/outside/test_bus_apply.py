"""`[bus] apply = true`: one offset for all trims keeps the sum under its ceiling, and the balance as it was.

The sums are numpy's, the true peak is that of a reference of the tests' own.
"""

from pathlib import Path
from typing import Final

import numpy as np
import pytest

from tests.support.reference_levels import true_peak_dbtp
from tests.support.signals import band_limited_noise
from tests.support.song import Song, SongMaker
from tests.support.wavefile import FLOAT

pytestmark = pytest.mark.long

RATE: Final = 48_000
NAMES: Final = tuple(f"part_{number}.wav" for number in range(6))
CEILING_DBTP: Final = -9.0
PROJECT: Final = '[project]\nname = "Salt Road"\nsettle_s = 0.2\n'
BUS: Final = f"[bus]\nceiling_dbtp = {CEILING_DBTP}\napply = true\n"


def filled(song: Song) -> Song:
    """Put six stereo parts of independent noise into a song."""
    rng = np.random.default_rng(9)
    for number, name in enumerate(NAMES):
        song.put(name, band_limited_noise(rng, -21.0 - number, 2 * RATE, 2), RATE, FLOAT)
    return song


def trims(song: Song) -> dict[str, float]:
    """Read the trims."""
    return {name: song.sidecar(name)["trim"]["gain_db"] for name in NAMES}


def bus_peak_dbtp(song: Song) -> float:
    """Add the copies up."""
    return true_peak_dbtp(np.sum([song.copy(name).samples() for name in NAMES], axis=0))


@pytest.mark.parametrize("way", ["stage", "watch"])
def test_the_bus_keeps_under_its_ceiling(make_song: SongMaker, tmp_path: Path, way: str) -> None:
    """The sum ends less than a step of 0.1 dB under the ceiling, by the same offset on every stem, on the step."""
    moved = filled(make_song(PROJECT + BUS))
    plain = filled(Song.made(moved.stager, tmp_path / "plain", PROJECT))
    assert plain.stage().code == 0
    assert bus_peak_dbtp(plain) > CEILING_DBTP
    if way == "stage":
        assert moved.stage().code == 0
    else:
        assert moved.stager("watch", moved.folder, "--until-idle", "0.5").code == 0
    assert CEILING_DBTP - 0.1 - 0.01 <= bus_peak_dbtp(moved) <= CEILING_DBTP + 0.01
    without, offsets = trims(plain), {round(gain - trims(plain)[name], 6) for name, gain in trims(moved).items()}
    (offset,) = offsets
    assert offset == pytest.approx(round(offset, 1), abs=1e-6)
    for name in NAMES:
        trim = moved.sidecar(name)["trim"]
        assert trim["bus_offset_db"] == offset
        assert trim["restore_fader_db"] == pytest.approx(-(without[name] + offset), abs=1e-6)


def test_a_second_run_changes_nothing(make_song: SongMaker) -> None:
    """Once the offset is taken, staging again finds nothing to do."""
    song = filled(make_song(PROJECT + BUS))
    assert song.stage().code == 0
    before = song.settled()
    assert song.stage().code == 0
    assert song.settled() == before


def test_switched_off_the_trims_are_those_of_before(make_song: SongMaker) -> None:
    """Without `apply` the next run takes the offset back."""
    song = filled(make_song(PROJECT + BUS))
    assert song.stage().code == 0
    moved = trims(song)
    song.file.write_text(song.file.read_text("utf-8").replace("apply = true", "apply = false"), "utf-8")
    assert song.stage().code == 0
    assert all(gain > moved[name] for name, gain in trims(song).items())
    assert {song.sidecar(name)["trim"]["bus_offset_db"] for name in NAMES} == {0.0}
