"""What decides a trim, read off copies that numpy measures again; no figure of the sidecar is taken on trust."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from tests.support import reference_levels, signals
from tests.support.command import Command
from tests.support.signals import RATE, band_limited_noise, faded, sine
from tests.support.song import Song
from tests.support.wavefile import DOUBLE, PCM_16, PCM_24, Kind

STEP, CEILING, TARGET = 0.1, -3.0, -18.0
SLACK_DB = 0.02
"""What re-measuring may differ by: the two true-peak filters, and dither."""

TOML = """
[target]
max_boost_db = 12.0

[[role]]
name = "struck"
match = ["struck*"]
target = { rule = "peak", level_db = -10.0 }

[[role]]
name = "as it is"
match = ["left*"]
target = { rule = "leave" }

[[role]]
name = "square"
match = ["square*"]
target = { reference = "square", level_db = -20.0, channels = "mean", tolerance_db = 0.0 }

[[role]]
name = "coarse"
match = ["coarse*"]
target = { step_db = 1.5, tolerance_db = 0.0 }
"""


@dataclass(frozen=True)
class Part:
    """A made stem, and what has to decide it."""

    name: str
    samples: np.ndarray
    decided_by: str
    kind: Kind = PCM_24


def _bursts(level_dbfs: float) -> np.ndarray:
    """Short strokes: a high peak and little average."""
    stroke = faded(sine(1000, level_dbfs, 0.01), 200)
    return np.tile(np.concatenate((stroke, np.zeros(round(0.39 * RATE)))), 8)


def _hot_but_right() -> np.ndarray:
    """An average of -18.0 with one true peak at -1.2 dBTP."""
    base = sine(300, -18.0, 2.5)
    stroke = faded(sine(700, -1.1, 0.01), 240)
    base[RATE : RATE + len(stroke)] = stroke
    return base


def _parts() -> list[Part]:
    rng = np.random.default_rng(18)
    wide = band_limited_noise(rng, -28.3, 2 * RATE, 2)
    return [
        Part("target_up.wav", wide, "target"),
        Part("target_down.wav", sine(440, -6.03, 1), "target", PCM_16),
        Part("target_pauses.wav", np.concatenate((sine(200, -24.37, 1), np.zeros(RATE))), "target"),
        Part("target_float.wav", sine(331, -27.77, 1), "target", DOUBLE),
        Part("tolerance_under.wav", sine(440, -18.93, 1), "tolerance"),
        Part("tolerance_over.wav", sine(440, -17.04, 1), "tolerance", PCM_16),
        Part("ceiling_raised.wav", _bursts(-8.0), "ceiling"),
        Part("ceiling_raised_16.wav", _bursts(-9.4), "ceiling", PCM_16),
        Part("ceiling_hot_but_right.wav", _hot_but_right(), "ceiling"),
        Part("boost.wav", sine(440, -40.0, 1), "boost_limit"),
        Part("boost_noise.wav", band_limited_noise(rng, -45.0, RATE), "boost_limit", PCM_16),
        Part("struck_low.wav", _bursts(-20.55), "target"),
        Part("struck_high.wav", _bursts(-2.51), "target"),
        Part("left_hot.wav", sine(440, -0.5, 1), "leave"),
        Part("left_quiet.wav", sine(440, -50.0, 1), "leave"),
        Part("square_mean.wav", np.column_stack((sine(440, -20, 1), sine(440, -31, 1))), "target"),
        Part("coarse.wav", sine(440, -24.1, 1), "target"),
    ]


PARTS = {part.name: part for part in _parts()}


def _named(prefix: str) -> list[str]:
    return [name for name in PARTS if name.startswith(prefix)]


@pytest.fixture(scope="module")
def staged(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """All parts staged in one run."""
    song = Song.made(stager, tmp_path_factory.mktemp("decisions") / "song", TOML)
    for part in PARTS.values():
        song.put(part.name, part.samples, RATE, part.kind)
    assert song.stage().code == 0
    return song


@pytest.fixture(scope="module")
def trims(staged: Song) -> dict[str, dict[str, Any]]:
    """The trim of every part."""
    return {name: staged.sidecar(name)["trim"] for name in PARTS}


@pytest.mark.parametrize("name", PARTS)
def test_the_part_is_decided_by_what_it_was_made_for(trims: dict[str, Any], name: str) -> None:
    """Each made stem names the limit that it was made for (worked arithmetic in the signal)."""
    assert trims[name]["decided_by"] == PARTS[name].decided_by
    assert trims[name]["restore_fader_db"] == -trims[name]["gain_db"]


@pytest.mark.parametrize("name", PARTS)
def test_the_copy_stands_at_the_predicted_levels(staged: Song, name: str) -> None:
    """Average and true peak of the copy, re-measured, are the predicted ones (worked arithmetic: level + gain)."""
    trim, copy = staged.sidecar(name)["trim"], staged.copy(name).samples()
    target = trim["target"]
    found = reference_levels.average(copy, RATE, target["channels"], target["reference"]).level_db
    assert found == pytest.approx(trim["predicted_average_dbfs"], abs=SLACK_DB)
    assert reference_levels.true_peak_dbtp(copy) == pytest.approx(trim["predicted_true_peak_dbtp"], abs=SLACK_DB + 0.03)


@pytest.mark.parametrize("name", _named("target"))
def test_target_is_met_from_below(staged: Song, name: str) -> None:
    """Decided by the target, the copy's average is at most a step under it, and never over it (AES17 average)."""
    found = reference_levels.average_dbfs(staged.copy(name).samples(), RATE)
    assert TARGET - STEP - SLACK_DB <= found <= TARGET + SLACK_DB


@pytest.mark.parametrize("name", _named("tolerance"))
def test_inside_the_tolerance_nothing_moves(staged: Song, trims: dict[str, Any], name: str) -> None:
    """Decided by the tolerance, the trim is 0, the average lies inside it and the file is the original's bytes."""
    assert trims[name]["gain_db"] == 0.0
    assert abs(reference_levels.average_dbfs(staged.copy(name).samples(), RATE) - TARGET) <= 1.0
    assert (staged.outbox / name).read_bytes() == (staged.inbox / name).read_bytes()


@pytest.mark.parametrize("name", _named("ceiling"))
def test_the_ceiling_is_reached_and_not_passed(staged: Song, trims: dict[str, Any], name: str) -> None:
    """Decided by the ceiling, the copy's true peak lies within a step under it (ITU-R BS.1770 true peak)."""
    found = reference_levels.true_peak_dbtp(staged.copy(name).samples())
    assert CEILING - STEP - SLACK_DB <= found <= CEILING + SLACK_DB
    assert trims[name]["wanted_gain_db"] > trims[name]["gain_db"]


def test_a_stem_whose_average_is_right_is_lowered_under_the_ceiling(trims: dict[str, Any]) -> None:
    """The ceiling holds where the average lies inside the tolerance: that stem is lowered and the sentence says so."""
    trim = trims["ceiling_hot_but_right.wav"]
    assert abs(trim["measured_db"] - TARGET) <= 1.0
    assert trim["gain_db"] < 0.0
    assert "ceiling" in trim["because"]


@pytest.mark.parametrize("name", _named("boost"))
def test_the_boost_limit_is_used_up(staged: Song, trims: dict[str, Any], name: str) -> None:
    """Decided by the boost limit, the copy is raised by the largest step not above it: 12.0 of 12 dB."""
    rise = reference_levels.average_dbfs(staged.copy(name).samples(), RATE) - reference_levels.average_dbfs(
        PARTS[name].samples, RATE
    )
    assert rise == pytest.approx(12.0, abs=SLACK_DB)
    assert trims[name]["wanted_gain_db"] > 12.0


@pytest.mark.parametrize("name", _named("struck"))
def test_the_peak_rule_brings_the_sample_peak_to_its_level(staged: Song, name: str) -> None:
    """Under the rule peak the copy's sample peak is at most a step under the role's -10 dBFS, and not over it."""
    found = reference_levels.sample_peak_dbfs(staged.copy(name).samples())
    assert -10.0 - STEP - SLACK_DB <= found <= -10.0 + SLACK_DB
    assert staged.sidecar(name)["trim"]["role"] == "struck"


def test_leave_copies_as_it_is_and_names_the_ceiling(staged: Song) -> None:
    """Under the rule leave the bytes stay, even over the ceiling, which is then a finding; a quiet stem has none."""
    hot, quiet = staged.sidecar("left_hot.wav"), staged.sidecar("left_quiet.wav")
    assert (staged.outbox / "left_hot.wav").read_bytes() == (staged.inbox / "left_hot.wav").read_bytes()
    assert [finding["code"] for finding in hot["findings"]] == ["over_ceiling"]
    assert hot["trim"]["wanted_gain_db"] is None
    assert quiet["findings"] == []


def test_the_square_reference_and_the_mean_of_channels_count(staged: Song) -> None:
    """A role's own reference and channels are the ones that its target is met in (square: 3.01 dB under AES17)."""
    found = reference_levels.average(staged.copy("square_mean.wav").samples(), RATE, "mean", "square").level_db
    assert found is not None
    assert -20.0 - STEP - SLACK_DB <= found <= -20.0 + SLACK_DB
    assert staged.sidecar("square_mean.wav")["levels"]["average_reference"] == "square"


def test_a_coarse_step_rounds_down(trims: dict[str, Any]) -> None:
    """Wanted 6.1 dB in steps of 1.5 dB is 6.0: always downwards, in whole steps (worked arithmetic)."""
    assert trims["coarse.wav"]["wanted_gain_db"] == pytest.approx(6.1, abs=0.01)
    assert trims["coarse.wav"]["gain_db"] == 6.0


def test_channels_of_a_stem_move_together(staged: Song) -> None:
    """Both channels of a stem get one gain, so that their balance stays (worked arithmetic: -20 to -31 dB)."""
    copy = staged.copy("square_mean.wav").samples()
    assert reference_levels.db(np.abs(copy[:, 0]).max() / np.abs(copy[:, 1]).max()) == pytest.approx(11.0, abs=0.001)


@pytest.mark.parametrize("kind", [PCM_24, PCM_16], ids=["24 bit", "16 bit"])
def test_quiet_decaying_notes_land_where_predicted(song: Song, kind: Kind) -> None:
    """Notes at -50 to -60 over noise at -80, raised up to 18 dB: within 0.05 dB of the prediction, gates included."""
    rng = np.random.default_rng(50)
    names = [f"notes_{number}.wav" for number in range(6)]
    for number, name in enumerate(names):
        song.put(name, signals.quiet_notes(rng, 5.0 + 0.77 * number), RATE, kind)
    outcomes = song.outcomes()
    for name in names:
        trim = outcomes[name]["trim"]
        found = reference_levels.average_dbfs(song.copy(name).samples(), RATE)
        assert found == pytest.approx(trim["predicted_average_dbfs"], abs=0.05)
        assert trim["gain_db"] == 18.0


def test_the_gate_is_solved_as_it_stands_after_the_gain(make_song: Any) -> None:
    """Where a gain lifts quiet parts over the -70 dBFS gate, the wanted gain counts them (ITU-R BS.1770 gate)."""
    song = make_song("[target]\ntolerance_db = 0.0\nmax_boost_db = 60.0\ni_mean_it = true\nstep_db = 0.001\n")
    signal = np.concatenate((sine(400, -66.0, 3), sine(400, -72.0, 6)))
    song.put("near_the_gate.wav", signal, RATE, DOUBLE)
    trim = song.outcome("near_the_gate.wav")["trim"]
    plain = TARGET - reference_levels.average_dbfs(signal, RATE)
    found = reference_levels.average_dbfs(song.copy("near_the_gate.wav").samples(), RATE)
    assert trim["gain_db"] > plain + 1.0
    assert found == pytest.approx(TARGET, abs=0.002)


def test_staging_ends_with_what_stopped_each(song: Song) -> None:
    """Targets by hand: a sine of -24 dBFS RMS gets its 6 dB; one of -60 stops at 18; a sharp one at the ceiling."""
    song.put("drone.wav", sine(440, -21.0, 2.0))
    song.put("faint.wav", sine(440, -57.0, 2.0))
    clicks = sine(440, -40.0, 2.0)
    clicks[::12_000] = 0.5
    song.put("sticks.wav", clicks)
    done = song.stage()
    assert done.stdout.rstrip().endswith("1 at their target, 1 stopped by the ceiling, 1 stopped by the largest boost.")
