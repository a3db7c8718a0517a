"""A player's own lift, learned by the installed command from level checks and takes of many songs."""

import json
import random
import re
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any, Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import Command
from tests.support.reference_levels import linear
from tests.support.wavefile import PCM_24, Array

pytestmark = pytest.mark.long

RATE: Final = 16_000
SONGS: Final = 12
TURNED_DB: Final = 8.0
CHECK_DBFS, NOISE_DBFS, LOUD_DBFS = -26.0, -66.0, -8.0
TOML: Final = '[project]\nname = "Song {song}"\nsettle_s = 0.1\ntakes = "audio"\n[recording]\nlearn = {learn}\n'


def phrase(rng: np.random.Generator, peak_dbfs: float, noise_dbfs: float, seconds: float) -> Array:
    """Return notes of a swelling tone with its peak at this level, rests between, and the noise of a room under all."""
    t = np.arange(round(seconds * RATE)) / RATE
    tone = np.sin(2 * np.pi * 220.0 * t) * np.clip(1.5 * np.sin(2 * np.pi * t / 4.0), 0.0, 1.0)
    noise = linear(noise_dbfs) / np.sqrt(2.0) * rng.standard_normal(len(t))
    return np.asarray(linear(peak_dbfs) * tone + noise)


@dataclass(frozen=True)
class Player:
    """A user with a data folder, a habit and songs; each has a level check and a take."""

    folder: Path
    rng: np.random.Generator

    @property
    def env(self) -> dict[str, str]:
        """The environment in which the user's data lies in this folder."""
        return {"XDG_DATA_HOME": str(self.folder / "data")}

    def songs(self, numbers: range, *, learn: bool = True) -> list[Path]:
        """Make projects with an empty folder of takes, and have them watched once."""
        made = [self.folder / f"song_{number:02}" for number in numbers]
        for number, song in zip(numbers, made, strict=True):
            for name in ("bounces", "audio"):
                (song / name).mkdir(parents=True)
            toml = TOML.format(song=number, learn=str(learn).lower())
            (song / "stager.toml").write_text(f"version = 1\n{toml}", "utf-8")
        self.watch(made)
        return made

    def record(self, song: Path, name: str, peak_dbfs: float, noise_dbfs: float, seconds: float = 8.0) -> None:
        """Write a recording."""
        samples = phrase(self.rng, peak_dbfs, noise_dbfs, seconds)
        wavefile.write(song / "audio" / name, samples[:, None], RATE, PCM_24)

    def watch(self, songs: list[Path]) -> None:
        """Watch until all that is there was judged."""
        result = Command()("watch", *songs, "--until-idle", "0.5", env=self.env)
        assert result.code == 0, result.stderr

    def play(self, songs: list[Path], rises: list[float], turned: list[float], check: str = "voice check.wav") -> None:
        """Record a level check in each song, then a take that is so much louder, its input turned by so much."""
        for song in songs:
            self.record(song, check, CHECK_DBFS, NOISE_DBFS)
        self.watch(songs)
        for song, rise_db, turned_db in zip(songs, rises, turned, strict=True):
            self.record(
                song,
                "voice 1.wav" if "check" in check else "voice 2.wav",
                CHECK_DBFS + rise_db + turned_db,
                NOISE_DBFS + turned_db,
            )
        self.watch(songs)

    def lift(self) -> list[dict[str, Any]]:
        """Return what `measure --lift` knows."""
        result = Command()("measure", "--lift", "--json", env=self.env)
        assert result.code == 0, result.stderr
        document = result.json()
        assert document["schema"] == "stager/lift/1"
        return list(document["parts"])


def player(folder: Path, seed: int) -> Player:
    """Return a player with nothing learned yet."""
    return Player(folder, np.random.default_rng((77_301, seed)))


def advice_of(song: Path, name: str) -> dict[str, Any]:
    """Return the advice on a take, as `takes.json` holds it."""
    takes = json.loads((song / ".stager" / "takes.json").read_text("utf-8"))["takes"]
    (found,) = [take["advice"] for take in takes if take["take"] == name]
    return dict(found)


@pytest.mark.parametrize("seed", range(5))
def test_five_players_over_twelve_songs(seed: int, tmp_path: Path) -> None:
    """The learned figure is within 1 dB of the true median rise; each third input is turned and moves nothing."""
    rng, one = random.Random(seed), player(tmp_path, seed)
    habit = rng.uniform(3.0, 12.0)
    rises = [rng.gauss(habit, 1.2) for _ in range(SONGS)]
    turned = [TURNED_DB if number % 3 == 2 else 0.0 for number in range(SONGS)]
    one.play(one.songs(range(SONGS)), rises, turned)
    (found,) = one.lift()
    alike = [rise for rise, turned_db in zip(rises, turned, strict=True) if not turned_db]
    assert (found["part"], found["pairs"], found["used"]) == ("voice", len(alike), True)
    assert found["median_db"] == pytest.approx(median(rises), abs=1.0)
    assert found["median_db"] == pytest.approx(median(alike), abs=0.3)
    assert found["lowest_db"] == pytest.approx(min(alike), abs=0.3)
    assert found["highest_db"] == pytest.approx(max(alike), abs=0.3)


def test_a_turned_input_alone_is_learned_as_nothing(tmp_path: Path) -> None:
    """A gain raises noise and playing alike, by algebra: six inputs turned up teach nothing."""
    one = player(tmp_path, 11)
    one.play(one.songs(range(6)), [0.0] * 6, [TURNED_DB] * 6)
    assert one.lift() == []
    told = Command()("measure", "--lift", env=one.env)
    assert "Nothing is known yet" in told.stdout
    assert "learn = true" in told.stdout


def test_the_lift_is_allowed_for_from_five_pairs_on(tmp_path: Path) -> None:
    """Four pairs name what people do; the fifth makes the number, with its spread, and for the level check alone."""
    one, rises = player(tmp_path, 12), [6.0, 7.0, 8.0, 9.0, 10.0]
    songs = one.songs(range(7))
    one.play(songs[:4], rises[:4], [0.0] * 4, "voice 1.wav")
    one.record(songs[5], "voice check.wav", LOUD_DBFS, NOISE_DBFS)
    one.watch(songs[5:6])
    before = advice_of(songs[5], "voice check.wav")
    assert "allowed for" not in before["says"]
    assert "6 to 10 dB louder" in before["says"] or "enough" in before["says"]
    one.play(songs[4:5], rises[4:], [0.0])
    for name in ("voice check.wav", "lute check.wav"):
        one.record(songs[6], name, LOUD_DBFS, NOISE_DBFS)
    one.watch(songs[6:])
    one.record(songs[6], "voice 1.wav", LOUD_DBFS, NOISE_DBFS, 24.0)
    one.watch(songs[6:])
    after = advice_of(songs[6], "voice check.wav")
    assert after["input_change_db"] - before["input_change_db"] == pytest.approx(-8.0, abs=1.0)
    assert re.search(r"8 dB louder than in a level check \(6 to 10 in 5\)", after["says"]), after["says"]
    assert advice_of(songs[6], "lute check.wav")["input_change_db"] == before["input_change_db"]
    assert "allowed for" not in advice_of(songs[6], "voice 1.wav")["says"]


def test_nothing_is_learned_without_the_key(tmp_path: Path) -> None:
    """Without `learn = true` the user's data folder is not even made."""
    one = player(tmp_path, 13)
    one.play(one.songs(range(2), learn=False), [6.0] * 2, [0.0] * 2)
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("args", [["measure"], ["measure", "--lift", "a.wav"]])
def test_files_or_the_lift(args: list[str]) -> None:
    """One of the two is asked for: neither and both are errors."""
    result = Command()(*args)
    assert result.code == 2
    assert "FILE or --lift" in result.stderr
