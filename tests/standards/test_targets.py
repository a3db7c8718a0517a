"""The rules `loudness` and `vu` on the installed command: what their copies read by meters of the tests' own."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.reference_loudness import integrated_lufs, vu_dbfs
from tests.support.signals import Array, stepped_tone, stereo
from tests.support.song import Song, SongMaker

RATE: Final = 48_000
TWO_SPEAKERS_DB: Final = 10.0 * np.log10(2.0)
COPY_DB: Final = 0.003
"""A step is 0.001 dB and rounded down; the rest is dither and 24 bits."""


NEEDLE_DB: Final = 0.005
"""The command's needle moves by a bilinear transform, the tests' by the analogue response."""
RISE_DB: Final = 0.06
"""The most that the needle's way up from rest takes off a mean over 20 s: it lags 120 ms, 0.05 dB (arithmetic)."""

SongAt = Callable[[str, float], Song]


@pytest.fixture
def song_at(make_song: SongMaker) -> SongAt:
    """Return a maker of songs by rule and level, without tolerance and with the finest step."""

    def make(rule: str, level_db: float) -> Song:
        target = f'[target]\nrule = "{rule}"\nlevel_db = {level_db}\ntolerance_db = 0.0\nstep_db = 0.001\n'
        return make_song(f"{target}max_boost_db = 40.0\ni_mean_it = true\n", name=rule)

    return make


def lufs(samples: Array) -> float:
    """Integrated loudness of a signal that has one."""
    level = integrated_lufs(samples, RATE)
    assert level is not None
    return level


def phrases(seed: int, seconds: float = 12.0, level_db: float = -20.0) -> Array:
    """Notes that come and go over noise, mono: loud ones, quiet ones and pauses, so that every gate has work."""
    rng, frames = np.random.default_rng(seed), round(seconds * RATE)
    out = 10.0 ** (-75.0 / 20.0) * rng.normal(size=frames)
    start = 0
    while start < frames:
        length = min(frames - start, int(rng.uniform(0.2, 1.5) * RATE))
        n = np.arange(length)
        peak = 10.0 ** ((level_db + rng.choice([0.0, -6.0, -16.0, -45.0])) / 20.0)
        out[start : start + length] += peak * np.exp(-n / (0.8 * RATE)) * np.sin(2e3 * rng.uniform(0.3, 2) * n / RATE)
        start += length
    return out


def staged(song: Song, **stems: Array) -> dict[str, dict[str, Any]]:
    """Stage these stems and give the decision on each."""
    for name, samples in stems.items():
        wavefile.write(song.inbox / f"{name}.wav", samples, RATE, wavefile.FLOAT)
    decisions = {stem: outcome["trim"] for stem, outcome in song.outcomes().items()}
    assert set(decisions) == {f"{name}.wav" for name in stems}
    return decisions


SEEDS: Final = range(4)


@pytest.mark.long
@pytest.mark.parametrize("level_db", [-26.0, -33.0], ids=["raised", "lowered"])
def test_mono_stem_gets_the_trim_of_its_dual_mono_file(song_at: SongAt, level_db: float) -> None:
    """Rule loudness counts a mono stem on both speakers: figure, trim and heard level are those of two equal channels.

    Both gates count on two speakers as well: a pause between -73 and -70 LUFS as a mono file is heard over the gate.
    The copies are read by BS.1770 as numpy does it; `loudness_lufs` of the mono file stays BS.1770's own.
    """
    song, monos = song_at("loudness", level_db), [phrases(seed) for seed in SEEDS]
    stems = {f"mono_{seed}": mono[:, None] for seed, mono in enumerate(monos)}
    found = staged(song, **stems, **{f"dual_{seed}": stereo(mono) for seed, mono in enumerate(monos)})
    for seed, mono in enumerate(monos):
        one, two = found[f"mono_{seed}.wav"], found[f"dual_{seed}.wav"]
        assert one["decided_by"] == two["decided_by"] == "target"
        assert one["measured_db"] == pytest.approx(lufs(stereo(mono)), abs=0.002)
        assert one["measured_db"] == pytest.approx(two["measured_db"], abs=1e-6)
        assert one["gain_db"] == two["gain_db"]
        levels = song.sidecar(f"mono_{seed}.wav")["levels"]
        assert levels["loudness_lufs"] == pytest.approx(lufs(mono[:, None]), abs=0.002)
        copies = [wavefile.read(song.outbox / f"{name}_{seed}.wav").samples() for name in ("mono", "dual")]
        assert lufs(stereo(copies[0][:, 0])) == pytest.approx(level_db, abs=COPY_DB)
        assert lufs(copies[1]) == pytest.approx(level_db, abs=COPY_DB)


def test_gates_count_as_they_will_stand(song_at: SongAt) -> None:
    """A stem whose quiet half lies under -70 LUFS and is raised over it still ends at the level (BS.1770 gate).

    Before, only the half at -62 counts; after, both do, and their power mean lies 2.5 dB lower (arithmetic).
    """
    song = song_at("loudness", -50.0)
    found = staged(song, quiet=stereo(stepped_tone(RATE, [(10, -62.0), (10, -71.0)])))["quiet.wav"]
    assert found["gain_db"] == pytest.approx(-50.0 - found["measured_db"] + 2.5, abs=0.1)
    assert lufs(wavefile.read(song.outbox / "quiet.wav").samples()) == pytest.approx(-50.0, abs=COPY_DB)


def test_stem_shorter_than_a_block_is_trimmed_by_its_average(song_at: SongAt) -> None:
    """Under 400 ms there is no BS.1770 loudness: the average decides, as under rule average, and `because` says so.

    Control: with 401 ms there is one block, and the fallback stays asleep.
    """
    hits = {f"hit_{ms}": stepped_tone(RATE, [(ms / 1000.0, -30.0)])[:, None] for ms in (100, 399, 401)}
    found, plain = staged(song_at("loudness", -24.0), **hits), staged(song_at("average", -24.0), **hits)
    for name in ("hit_100.wav", "hit_399.wav"):
        assert found[name]["gain_db"] == plain[name]["gain_db"] == pytest.approx(6.0, abs=0.01)
        assert found[name]["measured_db"] == plain[name]["measured_db"]
        assert "average" in found[name]["because"]
        assert "loudness" in found[name]["because"]
        assert "loudness" not in plain[name]["because"]
    longer = found["hit_401.wav"]
    assert longer["measured_db"] == pytest.approx(lufs(hits["hit_401"]) + TWO_SPEAKERS_DB, abs=0.002)
    assert "average" not in longer["because"]


def test_vu_target_reaches_its_figure(song_at: SongAt) -> None:
    """The copy's needle (IEC 60268-17, by numpy) stands at the level over the blocks that its average keeps."""
    song, monos = song_at("vu", -24.0), [phrases(seed) for seed in SEEDS]
    found = staged(song, **{f"lead_{seed}": mono[:, None] for seed, mono in enumerate(monos)})
    for seed, mono in enumerate(monos):
        trim = found[f"lead_{seed}.wav"]
        assert trim["decided_by"] == "target"
        assert trim["measured_db"] == pytest.approx(vu_dbfs(mono, RATE), abs=NEEDLE_DB)
        levels = song.sidecar(f"lead_{seed}.wav")["levels"]
        assert levels["vu_dbfs"] == pytest.approx(trim["measured_db"], abs=1e-9)
        copy = wavefile.read(song.outbox / f"lead_{seed}.wav").samples()
        assert vu_dbfs(copy[:, 0], RATE) == pytest.approx(-24.0, abs=NEEDLE_DB)


FORMS_DB: Final = {"sine": 0.0, "square": 0.91, "triangle": -0.34, "noise": -1.05}


def test_vu_differs_from_rms_by_the_form_of_the_wave(song_at: SongAt) -> None:
    """A rectified mean that is calibrated on a sine differs from AES17 RMS by the form factor (worked arithmetic)."""
    turns = 997.0 * np.arange(20 * RATE) / RATE
    waves = {
        "sine": np.sin(2 * np.pi * turns),
        "square": np.where(turns % 1.0 < 0.5, 1.0, -1.0),
        "triangle": 4.0 * np.abs(turns % 1.0 - 0.5) - 1.0,
        "noise": np.random.default_rng(17).normal(size=len(turns)) / 5.0,
    }
    song = song_at("vu", -24.0)
    staged(song, **{name: 0.1 * wave[:, None] for name, wave in waves.items()})
    read = {name: song.sidecar(f"{name}.wav")["levels"] for name in FORMS_DB}
    over_rms_db = {name: levels["vu_dbfs"] - levels["average_dbfs"] for name, levels in read.items()}
    assert -RISE_DB <= over_rms_db["sine"] <= 0.0
    for name, form_db in FORMS_DB.items():
        assert over_rms_db[name] - over_rms_db["sine"] == pytest.approx(form_db, abs=0.02), name
