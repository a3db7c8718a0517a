"""The set before staging: stems with steps are heard as they would be staged, and nothing is written or left."""

import os
import signal
import struct
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from tests.support.command import HUNG_S, Result
from tests.support.song import Song, SongMaker, tree
from tests.support.wavefile import FLOAT

pytestmark = pytest.mark.long

RATE_HZ = 48_000
WICKED = Path(__file__).parent.parent / "support" / "faulty_plugins.py"
CENTRE = 10 ** (-3.0 / 20)
"""What a mono stem in the middle gets on each side."""
FILTER = '[[step]]\nuse = "high_pass"\nmatch = ["bass*"]\ncutoff_hz = 300.0\n'


def noise(seed: int, rms: float = 0.05) -> NDArray[np.float64]:
    block = np.clip(np.random.default_rng(seed).normal(0.0, rms, (2 * RATE_HZ, 1)), -0.9, 0.9)
    return np.asarray(block.astype(np.float32).astype(np.float64))


def rumbling() -> NDArray[np.float64]:
    """Noise under a rumble of 20 Hz, 12 dB over it."""
    at = np.arange(2 * RATE_HZ) / RATE_HZ
    return np.asarray((noise(1) + 0.3 * np.sin(2 * np.pi * 20 * at).reshape(-1, 1)).astype(np.float32))


def stamped(frames: int) -> dict[str, Any]:
    """A time stamp, so many frames after the first hour."""
    bext = bytearray(602)
    struct.pack_into("<Q", bext, 338, 3_600 * RATE_HZ + frames)
    return {"before": [(b"bext", bytes(bext))]}


def checked(song: Song, passing: Path) -> dict[str, Any]:
    """Check a set; fails where anything in its project changed, or the folder for passing files isn't empty after."""
    passing.mkdir(exist_ok=True)
    before = tree(song.folder)
    done: Result = song.stager("check", song.folder, "--json", env={"TMPDIR": str(passing)})
    assert tree(song.folder) == before
    assert list(passing.iterdir()) == []
    return done.json()


def test_the_forecast_hears_what_the_steps_leave(make_song: SongMaker, tmp_path: Path) -> None:
    """The bus is scipy's filter of the original with its trim, beside the other stem; and so it is once staged."""
    song = make_song(FILTER)
    parts = {"bass.wav": rumbling(), "kick.wav": noise(2)}
    for name, block in parts.items():
        song.put(name, block, kind=FLOAT)
    foretold = checked(song, tmp_path / "passing")["bus"]
    gains = {name: 10 ** (one["trim"]["gain_db"] / 20) for name, one in song.outcomes().items()}
    filtered = sosfilt(butter(2, 300.0, "highpass", fs=RATE_HZ, output="sos"), parts["bass.wav"], axis=0)
    peak = np.abs(CENTRE * (gains["bass.wav"] * filtered + gains["kick.wav"] * parts["kick.wav"])).max()
    assert abs(foretold["sample_peak_dbfs"] - 20 * np.log10(peak)) < 0.0001
    unfiltered = np.abs(CENTRE * (gains["bass.wav"] * parts["bass.wav"] + gains["kick.wav"] * parts["kick.wav"])).max()
    assert 20 * np.log10(unfiltered / peak) > 3.0
    staged = checked(song, tmp_path / "passing")["bus"]
    assert abs(foretold["true_peak_dbtp"] - staged["true_peak_dbtp"]) < 0.0001
    assert abs(foretold["loudness_lufs"] - staged["loudness_lufs"]) < 0.0001


@pytest.mark.parametrize("is_staged", [False, True], ids=["before staging", "after staging"])
def test_stems_at_another_rate_keep_their_places(make_song: SongMaker, tmp_path: Path, is_staged: bool) -> None:
    """Time stamps count frames of the rate that a step gave: a second apart stays a second, so the sum lasts three."""
    song = make_song('[[step]]\nuse = "resample"\nmatch = ["*"]\nrate_hz = 96000\n')
    song.put("one.wav", noise(3), kind=FLOAT, **stamped(0))
    song.put("two.wav", noise(4), kind=FLOAT, **stamped(RATE_HZ))
    if is_staged:
        song.stage()
    bus = checked(song, tmp_path / "passing")["bus"]
    assert (bus["sample_rate_hz"], bus["duration_s"], bus["parts"]) == (96_000, 3.0, 2)


def test_a_set_brought_to_one_rate_has_one(make_song: SongMaker, tmp_path: Path) -> None:
    """Two rates among the originals are no finding where a step brings both stems to one; without it they are."""
    step = '[[step]]\nuse = "resample"\nmatch = ["*"]\nrate_hz = 48000\n'
    for name, toml, codes in (("with", step, False), ("without", "", True)):
        song = make_song(toml, name)
        song.put("one.wav", noise(3))
        song.put("two.wav", noise(4), rate_hz=44_100)
        found = checked(song, tmp_path / "passing")
        assert ("rate_differs" in [finding["code"] for finding in found["findings"]]) is codes


def test_a_stem_whose_step_fails_is_told(make_song: SongMaker, tmp_path: Path) -> None:
    """It is among the refused, and the others are heard."""
    song = make_song('[[plugin]]\nfile = "wicked.py"\n[[step]]\nuse = "no_number"\nmatch = ["bass*"]\n')
    (song.folder / "wicked.py").write_text(WICKED.read_text())
    song.put("bass.wav", noise(5))
    song.put("kick.wav", noise(6))
    found = checked(song, tmp_path / "passing")
    assert [(one["stem"], one["refused"]) for one in found["refused"]] == [("bass.wav", "step_failed")]
    assert found["bus"]["parts"] == 1


def test_stems_with_steps_are_not_in_the_balance(make_song: SongMaker, tmp_path: Path) -> None:
    """What a filter took no fader brings back: the rest of the set is still proven, and counted as what it is."""
    song = make_song(FILTER)
    for name, block in {"bass.wav": rumbling(), "kick.wav": noise(2), "harp.wav": noise(7)}.items():
        song.put(name, block)
    song.stage()
    balance = checked(song, tmp_path / "passing")["balance"]
    assert (balance["parts"], balance["restored"]) == (2, True)


@pytest.mark.parametrize("told", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_check_leaves_nothing(make_song: SongMaker, tmp_path: Path, told: signal.Signals) -> None:
    """While a step is at work, what comes out lies in the system's temporary folder; a signal takes it along."""
    song = make_song('[[plugin]]\nfile = "slow.py"\n[[step]]\nuse = "slow"\nmatch = ["*"]\n')
    (song.folder / "slow.py").write_text(
        "import time\nfrom pathlib import Path\nfrom stager.plugins import Step\n\n"
        "class Slow(Step):\n"
        "    name = 'slow'\n\n"
        "    def process(self, block):\n"
        f"        time.sleep(10 if any(Path({str(tmp_path / 'passing')!r}).glob('*/*')) else 0)\n"
        "        return block\n"
    )
    for name in ("one.wav", "two.wav"):
        song.put(name, noise(8))
    passing = tmp_path / "passing"
    passing.mkdir()
    before = tree(song.folder)
    with song.stager.started("check", song.folder, log=tmp_path / "log", env={"TMPDIR": str(passing)}) as process:
        end_s = time.monotonic() + HUNG_S
        while not list(passing.glob("*/*")):
            assert process.poll() is None, (tmp_path / "log").read_text()
            assert time.monotonic() < end_s
            time.sleep(0.01)
        os.kill(process.pid, told)
        process.wait(HUNG_S)
    assert process.returncode == 128 + told
    assert list(passing.iterdir()) == []
    assert tree(song.folder) == before
