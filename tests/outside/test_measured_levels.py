"""`stager measure` against published levels, and its average against the same definition computed a second time."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.support import reference_levels, signals, wavefile
from tests.support.command import Command
from tests.support.signals import RATE, faded, silence, sine, stereo
from tests.support.song import Song
from tests.support.wavefile import DOUBLE, FLOAT

Levels = dict[str, dict[str, Any]]


def _square() -> np.ndarray:
    return reference_levels.linear(-18.0) * np.where(np.arange(10 * RATE) % 48 < 24, 1.0, -1.0)


def _two_parts(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    return stereo(np.concatenate((first, second)))


def _quarter_tone() -> np.ndarray:
    return faded(np.sin(np.pi / 2 * np.arange(10 * RATE) + np.pi / 4), 480)


WORKED = {
    "1": sine(997, -18.0, 10),
    "7": _square(),
    "8": _two_parts(sine(997, -20.0, 10), silence(10)),
    "9": _two_parts(sine(997, -20.0, 30), sine(997, -35.0, 30)),
    "10": _two_parts(sine(997, -20.0, 30), sine(997, -29.0, 30)),
    "12": silence(10),
    "13": _quarter_tone(),
    "16": sine(997, -20.0, 10) + 0.1,
}
EXPECTED = [
    ("AES17: a 997 Hz sine reads its peak level", "1", "average_dbfs", -18.00, 0.01),
    ("AES17: the same, ungated", "1", "average_ungated_dbfs", -18.00, 0.01),
    ("AES17: sample peak of that sine", "1", "sample_peak_dbfs", -18.00, 0.01),
    ("arithmetic: crest of a sine is sqrt 2", "1", "crest_db", 3.01, 0.01),
    ("AES17: a square reads 3.01 dB over its peak", "7", "average_dbfs", -14.99, 0.01),
    ("arithmetic: crest of a square is 1", "7", "crest_db", 0.00, 0.01),
    ("ITU-R BS.1770 gate: silence after a tone drops out", "8", "average_dbfs", -20.07, 0.01),
    ("AES17: ungated, silence counts", "8", "average_ungated_dbfs", -23.01, 0.01),
    ("ITU-R BS.1770 gate: 15 dB lower is cut", "9", "average_dbfs", -20.02, 0.01),
    ("AES17: ungated, 15 dB lower counts", "9", "average_ungated_dbfs", -22.88, 0.01),
    ("ITU-R BS.1770 gate: 9 dB lower passes", "10", "average_dbfs", -22.50, 0.01),
    ("AES17: ungated, 9 dB lower", "10", "average_ungated_dbfs", -22.50, 0.01),
    ("EBU Tech 3341 case 16 shape: samples", "13", "sample_peak_dbfs", -3.01, 0.01),
    ("AES17: a full-scale sine between the samples", "13", "average_dbfs", 0.00, 0.01),
    ("arithmetic: the average is free of a constant part", "16", "average_dbfs", -20.00, 0.01),
    ("arithmetic: the ungated RMS keeps it, -18.24 + 3.01", "16", "average_ungated_dbfs", -15.23, 0.01),
    ("arithmetic: 0.1 + 0.1 as a peak", "16", "sample_peak_dbfs", -13.98, 0.01),
    ("arithmetic: the constant itself", "16", "dc_offset_linear", 0.1, 1e-4),
]


@pytest.fixture(scope="module")
def worked(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Levels:
    """The levels of every worked example, by its number, from one run."""
    folder = tmp_path_factory.mktemp("worked")
    files = [wavefile.write(folder / f"{name}.wav", signal, RATE, FLOAT) for name, signal in WORKED.items()]
    result = stager("measure", *files, "--json")
    assert result.code == 0
    return {Path(stem["source"]["path"]).stem: stem["levels"] for stem in result.json()["stems"]}


@pytest.mark.parametrize(("source", "name", "figure", "expected", "tolerance"), EXPECTED, ids=[e[0] for e in EXPECTED])
def test_worked_example_reads_its_published_level(
    worked: Levels, source: str, name: str, figure: str, expected: float, tolerance: float
) -> None:
    """Each level lies at the figure that its source gives, in the AES17 convention."""
    assert worked[name][figure] == pytest.approx(expected, abs=tolerance), source
    assert worked[name]["average_reference"] == "sine"


def test_full_scale_between_samples_is_found(worked: Levels) -> None:
    """A full-scale tone whose samples stop at -3.01 has a true peak of 0 dBTP (EBU Tech 3341 case 16, +0.2/-0.4)."""
    assert -0.4 <= worked["13"]["true_peak_dbtp"] <= 0.2


def test_digital_silence_has_no_level(worked: Levels) -> None:
    """Silence is null, not a very low number (worked arithmetic: the logarithm of 0)."""
    figures = ("sample_peak_dbfs", "true_peak_dbtp", "average_dbfs", "average_ungated_dbfs", "crest_db")
    assert [worked["12"][figure] for figure in figures] == [None] * 5


def test_square_reference_reads_3_01_lower(stager: Command, tmp_path: Path) -> None:
    """With --reference square a full-scale square reads 0: the -18 square at -18.00, the constant's sine at -18.24."""
    files = [wavefile.write(tmp_path / f"{name}.wav", WORKED[name], RATE, FLOAT) for name in ("7", "16")]
    stems = stager("measure", *files, "--json", "--reference", "square").json()["stems"]
    assert {stem["levels"]["average_reference"] for stem in stems} == {"square"}
    assert stems[0]["levels"]["average_dbfs"] == pytest.approx(-18.00, abs=0.01)
    assert stems[1]["levels"]["average_ungated_dbfs"] == pytest.approx(-18.24, abs=0.01)


RATES = (8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000)
LENGTHS_S = (0.0, 0.399, 0.4, 0.401, 1.234567, 2.9999, 3.7701)
CASES = [
    (rate, length, 1 + (7 * i + j) % 6) for i, rate in enumerate(RATES) for j, length in enumerate(LENGTHS_S) if i != j
]


def _random_signals() -> dict[str, tuple[np.ndarray, int]]:
    rng = np.random.default_rng(1770)
    made = {}
    for rate_hz, seconds, channels in CASES:
        frames = max(1, round(seconds * rate_hz))
        name = f"{rate_hz}_{frames}_{channels}.wav"
        made[name] = (signals.random_part(rng, frames, channels, rate_hz), rate_hz)
    return made


RANDOM = _random_signals()


@pytest.fixture(scope="module")
def random_song(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """A song with every random signal, whose rule takes the channels' mean in the square convention."""
    toml = '[target]\nchannels = "mean"\nreference = "square"\n'
    song = Song.made(stager, tmp_path_factory.mktemp("random") / "song", toml)
    for name, (signal, rate_hz) in RANDOM.items():
        song.put(name, signal, rate_hz, DOUBLE)
    return song


@pytest.fixture(scope="module")
def loudest(random_song: Song) -> Levels:
    """Levels by `measure`: the loudest channel, AES17."""
    result = random_song.stager("measure", *sorted(random_song.inbox.iterdir()), "--json")
    return {Path(stem["source"]["path"]).name: stem["levels"] for stem in result.json()["stems"]}


@pytest.fixture(scope="module")
def mean(random_song: Song) -> Levels:
    """Levels by `stage --dry-run`: the channels' mean, square convention."""
    return {name: outcome["levels"] for name, outcome in random_song.outcomes("--dry-run").items()}


def _close(found: float | None, expected: float | None) -> bool:
    if found is None or expected is None:
        return found is expected
    return abs(found - expected) <= 0.001


@pytest.mark.parametrize("name", RANDOM)
def test_average_of_the_loudest_channel_is_the_definition(loudest: Levels, name: str) -> None:
    """The gated average is within 0.001 dB of the gate of ITU-R BS.1770 Annex 1 on unweighted power, done by numpy."""
    expected = reference_levels.average(*RANDOM[name])
    assert _close(loudest[name]["average_dbfs"], expected.level_db)
    assert loudest[name]["active_ratio"] == pytest.approx(expected.kept, abs=1e-9)


@pytest.mark.parametrize("name", RANDOM)
def test_average_of_the_mean_is_the_definition(mean: Levels, name: str) -> None:
    """So is the one that gates the channels' mean power, in the square convention."""
    expected = reference_levels.average(*RANDOM[name], "mean", "square")
    assert _close(mean[name]["average_dbfs"], expected.level_db)
    assert mean[name]["average_reference"] == "square"


def test_random_signals_reach_both_gates() -> None:
    """The signals above are worth their name: blocks are dropped in many, in some all, in some none."""
    kept = [reference_levels.average(*RANDOM[name]).kept for name in RANDOM]
    assert len(kept) >= 40
    assert sum(0.0 < share < 1.0 for share in kept) >= 12
    assert {0.0, 1.0} <= set(kept)
