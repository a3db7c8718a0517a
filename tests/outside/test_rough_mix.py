"""`check --rough`: what a rough mix lacks is named, and what adds up is said to add up."""

from typing import Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.direct_sum import Array
from tests.support.signals import white_noise
from tests.support.song import Song
from tests.support.wavefile import FLOAT

pytestmark = pytest.mark.long

RATE: Final = 48_000
NAMES: Final = ("bells.wav", "drone.wav", "fiddle.wav", "lute.wav", "voice.wav")


def filled(song: Song) -> dict[str, Array]:
    """Put five stereo parts of independent noise into a song, and return them."""
    parts = {name: white_noise(6 * RATE, 2, seed=n, rms=0.1 * 0.8**n) for n, name in enumerate(NAMES)}
    for name, part in parts.items():
        song.put(name, part, RATE, FLOAT)
    return parts


def test_a_missing_stem_and_a_louder_one_are_named(song: Song) -> None:
    """One part of five left out of the mix and another 4 dB up: both named, and only they."""
    parts = filled(song)
    gains = {**dict.fromkeys(NAMES, 0.5), "voice.wav": 0.0, "lute.wav": 0.5 * 10 ** (4 / 20)}
    mix = np.sum([gains[name] * part for name, part in parts.items()], axis=0)
    rough = wavefile.write(song.folder / "rough.wav", mix, RATE, FLOAT)
    found = song.stager("check", song.folder, "--rough", rough, "--json").json()["rough"]
    assert [each["stem"] for each in found["deviations"]] == ["voice.wav", "lute.wav"]
    assert abs(found["deviations"][1]["level_db"] - 4.0) < 0.1
    assert "voice.wav is missing from the mix; lute.wav is 4 dB louder in the mix" in found["says"]


def test_a_mix_that_is_the_sum_names_nobody(song: Song) -> None:
    """The plain sum at another level has no deviation, and no cause is looked for."""
    parts = filled(song)
    rough = wavefile.write(song.folder / "rough.wav", 0.7 * np.sum(list(parts.values()), axis=0), RATE, FLOAT)
    found = song.stager("check", song.folder, "--rough", rough, "--json").json()["rough"]
    assert (found["adds_up"], found["deviations"]) == (True, [])
    assert "cause" not in found["says"]
