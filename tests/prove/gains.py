"""Gains of random stems against the decision worked out again with numpy alone."""

from collections.abc import Iterator
from math import floor
from typing import Any

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support import reference_levels, signals
from tests.support.song import Song
from tests.support.wavefile import DOUBLE

RATE = 16_000
PEAK_SLACK_DB = 0.05
"""What two true-peak meters may differ by; inside it either of two steps is right where the ceiling decides."""
TOML = "[target]\ntolerance_db = 0.5\nceiling_dbtp = -2.0\nmax_boost_db = 40.0\ni_mean_it = true\n"
LEVEL, TOLERANCE, CEILING, BOOST, STEP = -18.0, 0.5, -2.0, 40.0, 0.1


def _wanted(part: Any, measured: float) -> float:
    """Find the gain after which the gated average is the level, gates as they will stand.

    Between two gains at which another block rises over the absolute gate, the average rises with the gain: each such
    stretch is looked at by itself. Where more than one gain is right, the one nearest to the plain difference counts.
    """
    block_db = (
        10 * np.log10(np.maximum(reference_levels.block_powers(part, RATE)[:, 0], 1e-30)) + reference_levels.SINE_DB
    )
    edges = np.sort(np.unique(-70.0 - block_db))
    plain, found = LEVEL - measured, []
    for low, high in zip(edges, [*edges[1:], np.inf], strict=True):
        inside = low + min(1e-6, (high - low) / 2)
        level = reference_levels.average(part * reference_levels.linear(inside), RATE).level_db
        gain = np.inf if level is None else LEVEL - level + inside
        found += [gain] * bool(low <= gain < high)
    return float(min(found, key=lambda gain: abs(gain - plain)))


def _expected(part: Any) -> tuple[float, float] | None:
    """Return the smallest and the largest gain that would be right; None where the stem is too quiet."""
    measured = reference_levels.average(part, RATE).level_db
    if measured is None:
        return None
    ceiling = CEILING - reference_levels.true_peak_dbtp(part)
    if abs(measured - LEVEL) <= TOLERANCE and ceiling >= 0:
        return 0.0, 0.0
    wanted = _wanted(part, measured)
    limits = (min(wanted, ceiling + off, BOOST) for off in (-PEAK_SLACK_DB, PEAK_SLACK_DB))
    low, high = (floor(limit / STEP + 1e-5) * STEP for limit in limits)
    return low, high


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Stage random parts in one run and compare every gain."""
    rng = np.random.default_rng(300)
    song = Song.made(bench.stager, bench.folder / "song", TOML)
    parts = {}
    for number in range(bench.count(300)):
        part = signals.random_part(rng, round(rng.uniform(0.2, 4.0) * RATE), 1, RATE)
        parts[f"{number}.wav"] = part * reference_levels.linear(rng.uniform(-40.0, 20.0))
        song.put(f"{number}.wav", parts[f"{number}.wav"], RATE, DOUBLE)
    outcomes = song.outcomes()
    wrong = [name for name, part in parts.items() if not _is_right(outcomes[name]["trim"], _expected(part))]
    figure = f"{len(wrong)} of {len(parts)} wrong" + (f": {wrong[0]}" if wrong else "")
    yield Proof("random gains, solved and rounded down", "the decision again, by numpy", "0 wrong", figure, not wrong)
    by = sorted({outcome["trim"]["decided_by"] for outcome in outcomes.values()})
    yield Proof("random gains, what decides them", "own", "4 kinds or more", ", ".join(by), len(by) >= 4)


def _is_right(trim: dict[str, Any], expected: tuple[float, float] | None) -> bool:
    if expected is None:
        return trim["decided_by"] == "silent" and trim["gain_db"] == 0.0
    low, high = expected
    return low - 1e-6 <= trim["gain_db"] <= high + 1e-6
