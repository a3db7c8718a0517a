"""Takes judged by `stager watch` while they are recorded, and while it was away; three watches, one after another."""

import json
import re
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.support import reference_levels, wavefile
from tests.support.command import HUNG_S, Command
from tests.support.signals import RATE, band_limited_noise, sine
from tests.support.song import Song, tree
from tests.support.wavefile import PCM_24, Array

pytestmark = pytest.mark.long

TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.2\ntakes = "audio"\n'
LOUD_DBFS, NOISE_DBFS = -14.0, -66.0
CREST_OVER_DB = 4.0
"""How far the clipped take was driven over full scale."""


def voice(seed: int, turned_db: float = 0.0, louder_db: float = 0.0, noisier_db: float = 0.0) -> Array:
    """Return ten seconds of one part: two phrases with 2.5 s of nothing but the noise of the room behind each."""
    sound = np.zeros(10 * RATE)
    for first_s in (0.2, 5.2):
        first = round(first_s * RATE)
        tone = sine(220.0, LOUD_DBFS + louder_db, 2.3) * np.hanning(round(2.3 * RATE)) ** 0.25
        sound[first : first + len(tone)] = tone
    room = band_limited_noise(np.random.default_rng(seed), NOISE_DBFS + noisier_db, len(sound))[:, 0]
    return reference_levels.linear(turned_db) * (sound + room)


def _file(samples: Array) -> bytes:
    return wavefile.wave_bytes(samples, RATE, PCM_24)


def clipped() -> Array:
    """Return a tone that was driven over full scale and cut there: its crests rest at the highest and lowest codes."""
    return np.clip(sine(330.0, CREST_OVER_DB, 2.0), -1.0, 1.0 - 2.0**-23)


@dataclass(frozen=True)
class Told:
    """What two watches told: `takes.json` after each, both logs, how both ended, and the folders before and after."""

    first: dict[str, Any]
    second: dict[str, Any]
    logs: tuple[str, str]
    codes: tuple[int, int]
    before: dict[str, Any]
    after: dict[str, Any]
    outside: set[str]

    def take(self, name: str) -> dict[str, Any]:
        """Return what is known of one take in the end."""
        (found,) = [take for take in self.second["takes"] if take["take"] == name]
        return dict(found)


class Studio:
    """A project with a folder of takes, and a person who records into it."""

    def __init__(self, folder: Path) -> None:
        self.song = Song.made(Command(), folder, TOML)
        self.audio = folder / "audio"
        self.audio.mkdir()
        self.known: dict[str, Any] = {}

    def record(self, name: str, content: bytes) -> None:
        """Write a file in two pieces, as a recorder does, and remember what it was."""
        with (self.audio / name).open("wb") as file:
            file.write(content[: len(content) // 2])
            file.flush()
            file.write(content[len(content) // 2 :])
        self.known = tree(self.audio)

    def takes(self) -> dict[str, Any]:
        """Read `takes.json`; nothing where there is none yet."""
        path = self.song.folder / ".stager" / "takes.json"
        return json.loads(path.read_text("utf-8")) if path.exists() else {"takes": []}

    def judged(self, names: Iterable[str]) -> bool:
        """Return whether all these takes are listed."""
        return set(names) <= {take["take"] for take in self.takes()["takes"]}


def _wait(what: Callable[[], Any], process: subprocess.Popen) -> None:
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.02)


def _watched(studio: Studio, log: Path, recordings: tuple[dict[str, bytes], ...], due: tuple[str, ...] = ()) -> int:
    """Watch, record one lot after the other, wait until each is judged, and stop; gives the exit status."""
    with studio.song.stager.started("watch", studio.song.folder, log=log) as watch:
        _wait(lambda: "watching" in log.read_text(), watch)
        _wait(lambda: studio.judged(due), watch)
        for lot in recordings:
            for name, content in lot.items():
                studio.record(name, content)
            _wait(lambda lot=lot: studio.judged(lot), watch)
        watch.send_signal(signal.SIGINT)
        return watch.wait(HUNG_S)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """Record five takes under one watch, one while nobody watches, and one more under the next watch."""
    folder = tmp_path_factory.mktemp("takes")
    studio, logs = Studio(folder / "song"), (folder / "first", folder / "second")
    studio.record("voice_00.wav", _file(voice(0)))
    assert studio.song.stager("watch", studio.song.folder, "--until-idle", "0.5").code == 0
    recordings = (
        {"voice_01.wav": _file(voice(1))},
        {"voice_02.wav": _file(voice(2)), "notes.wav": b"the second verse was better\n" * 40},
        {"voice_03.wav": _file(voice(3, turned_db=4.0)), "shout.wav": _file(clipped())},
    )
    codes = [_watched(studio, logs[0], recordings)]
    first = studio.takes()
    studio.record("voice_04.wav", _file(voice(4, turned_db=4.0, louder_db=5.0)))
    noisy = {"voice_05.wav": _file(voice(5, turned_db=4.0, louder_db=2.5, noisier_db=9.0))}
    codes.append(_watched(studio, logs[1], (noisy,), ("voice_04.wav",)))
    rest = {path.relative_to(studio.song.folder).as_posix() for path in studio.song.folder.rglob("*.wav")}
    outside = {name for name in rest if not name.startswith("audio/")}
    texts = (logs[0].read_text(), logs[1].read_text())
    return Told(first, studio.takes(), texts, (codes[0], codes[1]), studio.known, tree(studio.audio), outside)


def test_each_new_take_is_judged_once(told: Told) -> None:
    """What came under a watch or between two is listed once, in order; what lay there at the first start is not."""
    first = ["voice_01.wav", "voice_02.wav", "voice_03.wav", "shout.wav", "notes.wav"]
    assert Counter(take["take"] for take in told.first["takes"]) == Counter(first)
    assert Counter(take["take"] for take in told.second["takes"]) == Counter([*first, "voice_04.wav", "voice_05.wav"])
    assert told.second["schema"] == "stager/takes/1"
    at = {take["take"]: take["at"] for take in told.second["takes"]}
    assert {name: at[name] for name in first} == {take["take"]: take["at"] for take in told.first["takes"]}
    assert list(at.values()) == sorted(at.values())
    assert "voice_01.wav" in told.logs[0]
    assert "voice_01.wav" not in told.logs[1]
    assert "voice_04.wav" in told.logs[1]


def test_takes_are_read_and_nothing_else(told: Told) -> None:
    """The recorder's folder is as it was, to the byte, time and inode, and no take is staged."""
    assert told.after == told.before
    assert told.outside == set()
    assert told.codes == (130, 130)


def test_a_good_take_has_its_levels_and_an_advice(told: Told) -> None:
    """Peak and average are those of the samples; the tone's peak at -14 asks for 2 dB, within the 3 that are right."""
    take, samples = told.take("voice_01.wav"), voice(1)
    assert take["levels"]["sample_peak_dbfs"] == pytest.approx(reference_levels.sample_peak_dbfs(samples), abs=1e-3)
    assert take["levels"]["average_dbfs"] == pytest.approx(
        reference_levels.average_dbfs(samples[:, None], RATE), abs=0.05
    )
    assert take["source"]["path"] == "audio/voice_01.wav"
    assert (take["verdict"], take["advice"]["input_change_db"]) == ("usable", 0)


def test_a_clipped_take_is_to_be_played_again(told: Told) -> None:
    """Every crest rests at full scale: 330 Hz for two seconds are 660 of each side; at least so many dB down."""
    take = told.take("shout.wav")
    (finding,) = [finding for finding in take["findings"] if finding["code"] == "clipped"]
    assert (take["verdict"], finding["verdict"]) == ("play_again", "play_again")
    assert finding["count"] == pytest.approx(2 * 2 * 330, abs=2)
    assert 0.0 <= finding["worst_at_s"] < 2.0
    down = int(re.search(r"at least (\d+) dB down", take["advice"]["says"])[1])
    assert down >= CREST_OVER_DB
    assert take["advice"]["input_change_db"] == -down


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("voice_01.wav", None),
        ("voice_02.wav", None),
        ("voice_03.wav", "Take 3 is 4 dB above takes 1 to 2 and so is its noise: the input was turned."),
        ("voice_04.wav", "Take 4 is 5 dB above take 3 and its noise has not moved: it was played louder."),
        ("voice_05.wav", "Take 5 is as loud as takes 3 to 4 with 9 dB more noise: listen to what changed in the room."),
    ],
)
def test_takes_of_one_part_tell_what_was_changed(told: Told, name: str, says: str | None) -> None:
    """A gain moves playing and noise alike, a player the playing alone, a room the noise alone."""
    assert told.take(name)["learned"] == says


def test_a_softer_take_does_not_turn_the_input_up(tmp_path: Path) -> None:
    """Played 17 dB softer at one gain, the louder take peaking at -8: a raise would bring that one over -6 dBFS."""
    studio, log = Studio(tmp_path / "song"), tmp_path / "log"
    takes = ({"vox_01.wav": _file(voice(1, louder_db=6.0))}, {"vox_02.wav": _file(voice(2, louder_db=-11.0))})
    assert _watched(studio, log, takes) == 130
    soft = studio.takes()["takes"][-1]
    assert (soft["take"], "played softer" in soft["learned"]) == ("vox_02.wav", True)
    assert soft["advice"]["input_change_db"] == 0
    assert soft["advice"]["says"].startswith("Leave the input as it is: played louder, this part came up to -8 dBFS")


def test_text_under_the_name_of_a_sound_is_refused(told: Told) -> None:
    """A file that is no sound is told as such, and the watch goes on."""
    take = told.take("notes.wav")
    assert take["refused"] == "unreadable"
    assert "expected WAV" in take["says"]


def test_a_missing_folder_of_takes_stops_the_start(tmp_path: Path) -> None:
    """A project file that names a folder of takes which isn't there starts nothing, and names it."""
    song = Song.made(Command(), tmp_path / "song", TOML)
    result = song.stager("watch", song.folder, "--until-idle", "1")
    assert result.code == 2
    assert "audio" in result.stderr
