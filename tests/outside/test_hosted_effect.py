"""A real VST3 effect without a window, built from Debian's dpf-source, hosted by the installed command."""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from tests.support.song import Song, SongMaker, sha256
from tests.support.wavefile import FLOAT

pytestmark = pytest.mark.long

BUILD = Path(__file__).with_name("effect") / "build.sh"
BUILD_S = 240
STEP = '[[step]]\nuse = "host"\nmatch = ["{match}"]\nfile = "{file}"\n'
RATE_HZ = 48_000


@pytest.fixture(scope="module")
def effects(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the built effects."""
    folder = tmp_path_factory.mktemp("effects")
    if shutil.which("c++") is None:
        pytest.skip("no C++ compiler")
    built = subprocess.run([BUILD, folder], capture_output=True, text=True, timeout=BUILD_S, check=False)
    if built.returncode:
        pytest.skip(f"the effects can't be built here: {built.stderr[-300:]}")
    return folder


def song_with(make_song: SongMaker, effects: Path, *tables: str, name: str = "song") -> Song:
    song = make_song("".join(tables) + '[target]\nrule = "leave"\n', name)
    for effect in effects.glob("*.vst3"):
        shutil.copytree(effect, song.folder / effect.name)
    return song


def part(channels: int = 2) -> np.ndarray:
    """Noise on the grid of 32-bit float, where a gain of a half is exact."""
    block = np.random.default_rng(51).normal(0.0, 0.1, (30_011, channels))
    return block.astype(np.float32).astype(np.float64)


def test_a_copy_is_the_effect_in_its_place(make_song: SongMaker, effects: Path) -> None:
    """Half the level, though the effect comes 64 frames late: same length, each sample in its place, to 32 bits."""
    table = STEP.format(match="*", file="late_gain.vst3") + "parameters = { gain = 0.5 }\n"
    song = song_with(make_song, effects, table)
    song.put("voice.wav", part(), kind=FLOAT)
    outcome = song.outcome("voice.wav")
    copy = song.copy("voice.wav").samples()
    assert copy.shape == part().shape
    assert np.abs(copy - 0.5 * part()).max() < 2.0**-24
    assert outcome["steps"][0]["settings"]["parameters"] == {"gain": 0.5}
    proof = song.stager("verify", song.folder, "--json").json()["stems"][0]
    assert proof["ok"] is True
    assert "not a pure trim: host came before it" in proof["notes"]


def test_two_runs_agree(make_song: SongMaker, effects: Path) -> None:
    """The same stem through the same effect gives the same copy, to the bit."""
    table = STEP.format(match="*", file="late_gain.vst3") + "tail_s = 0.01\n"
    songs = [song_with(make_song, effects, table, name=name) for name in ("one", "two")]
    for song in songs:
        song.put("voice.wav", part())
        song.stage()
    assert sha256(songs[0].outbox / "voice.wav") == sha256(songs[1].outbox / "voice.wav")
    assert len(songs[0].copy("voice.wav").samples()) == len(part()) + round(0.01 * RATE_HZ)


def test_what_cannot_be_hosted_is_an_outcome(make_song: SongMaker, effects: Path) -> None:
    """An effect that hangs while loading, one that isn't there, a name that isn't: refused, and the rest staged."""
    tables = (
        STEP.format(match="hang*", file="hanging.vst3"),
        STEP.format(match="gone*", file="gone.vst3"),
        STEP.format(match="slip*", file="late_gain.vst3") + "parameters = { gian = 0.5 }\n",
        STEP.format(match="mono*", file="late_gain.vst3"),
    )
    song = song_with(make_song, effects, *tables)
    for name in ("hang", "gone", "slip", "plain"):
        song.put(f"{name}.wav", part())
    song.put("mono.wav", part(1))
    outcomes = song.outcomes()
    refused = {name: found["says"] for name, found in outcomes.items() if found.get("refused") == "step_failed"}
    assert set(refused) == {"hang.wav", "gone.wav", "slip.wav", "mono.wav"}
    assert "no answer within" in refused["hang.wav"]
    assert "expected a VST3 effect" in refused["gone.wav"]
    assert "expected one of its parameters" in refused["slip.wav"]
    assert all("step 'host'" in says for says in refused.values())
    assert (song.outbox / "plain.wav").is_file()
