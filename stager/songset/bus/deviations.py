"""Which stems a rough mix lacks, or has at another level: the mix fitted by all stems at once, where it differs.

With the stems as columns of X and the mix y, the levels a minimise |y - X a|^2: G a = b, G = X'X, b = X'y. Source: the
normal equations of least squares, any handbook of statistics. A stem whose level is far from that of most others is
what the mix lacks. Effects and automation spread every level, so a level counts only beyond its own standard error.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.meters import Samples
from stager.model.bus import RoughPlace, StemDeviation
from stager.songset.bus.channel import MixChannel
from stager.units import db_from_linear

MOST_WINDOWS: Final = 60
"""Windows of one second that are fitted, evenly spread over all places (own figure)."""
RIDGE: Final = 1e-9
"""Share of a stem's own energy that is added to the diagonal, for copies of one stem."""
INDEPENDENT_PER_S: Final = 50.0
"""Values a second that count as independent in the standard error (own figure: music is correlated for some 20 ms)."""
SURE_ERROR: Final = 0.15
"""Standard error of a level, against the usual level, under which it is well known (own figure)."""
ERRORS: Final = 3.0
LEAST_AWAY: Final = 0.12
"""Share of the usual level by which a level must be away from it, 1 dB (own figure: under it nobody misses a part)."""
FEWEST_STEMS: Final = 3
MOST_NAMED: Final = 3


@dataclass(eq=False)
class Fit:
    """Running sums of one place, or of all together: G (stems, stems), b (stems,), the mix's energy, and its length."""

    gram: Samples
    cross: Samples
    energy: float = 0.0
    seconds: float = 0.0

    @classmethod
    def empty(cls, stems: int) -> "Fit":
        """Return sums of nothing."""
        return cls(np.zeros((stems, stems)), np.zeros(stems))

    def add(self, columns: Samples, mix: Samples, seconds: float) -> None:
        """Take in a stretch: the stems, (stems, values), and the mix, (values,)."""
        self.gram += columns @ columns.T
        self.cross += columns @ mix
        self.energy += float(mix @ mix)
        self.seconds += seconds

    def plus(self, other: "Fit") -> "Fit":
        """Return the sums of both."""
        seconds = self.seconds + other.seconds
        return Fit(self.gram + other.gram, self.cross + other.cross, self.energy + other.energy, seconds)

    def levels(self) -> tuple[Samples, Samples]:
        """Return each stem's level in the mix and its standard error, (stems,); a silent stem's error is infinite."""
        own = np.diag(self.gram)
        scale = np.sqrt(np.where(own > 0.0, own, 1.0))
        inverse = np.linalg.inv(self.gram / np.outer(scale, scale) + (RIDGE + (own == 0.0)) * np.eye(len(own)))
        levels = inverse @ (self.cross / scale) / scale
        left = max(0.0, self.energy - 2.0 * float(levels @ self.cross) + float(levels @ self.gram @ levels))
        independent = max(1.0, INDEPENDENT_PER_S * self.seconds)
        errors = np.sqrt(left / independent * np.diag(inverse)) / scale
        return np.asarray(levels), np.where(own > 0.0, errors, np.inf)


def placed(channel: MixChannel, centre_linear: float, start: int, stop: int) -> Samples:
    """Return one stem's part of the sum in a stretch, both sides one after the other, (2 * frames,).

    Raises:
        PartLost: where it can't be read.
    """
    gains, out = channel.placement.at(centre_linear) * channel.factor, np.zeros((stop - start, 2))
    for at, block in channel.frames(start, stop):
        out[at - start : at - start + len(block)] = block @ gains
    return out.T.reshape(-1)


def deviations(names: Sequence[str], places: Sequence[RoughPlace], fits: Sequence[Fit]) -> tuple[StemDeviation, ...]:
    """Return the stems that the mix lacks or has at another level, the farthest away first; `fits` has one for a place.

    Places are fitted alone and together; a stem counts by where it is farthest beyond its own error.
    """
    if len(names) < FEWEST_STEMS or not fits:
        return ()
    whole = RoughPlace(
        start_s=places[0].start_s, end_s=places[-1].end_s, residual_db=max(place.residual_db for place in places)
    )
    together = fits[0]
    for fit in fits[1:]:
        together = together.plus(fit)
    found: dict[str, tuple[float, StemDeviation]] = {}
    for place, fit in zip([whole, *places], [together, *fits], strict=True):
        for score, deviation in _away(names, place, fit):
            if score > found.get(deviation.stem, (0.0, deviation))[0] + SURE_ERROR:
                found[deviation.stem] = score, deviation
    ranked = sorted(found.values(), key=lambda item: -item[0])
    return tuple(deviation for _, deviation in ranked[:MOST_NAMED])


def _away(names: Sequence[str], place: RoughPlace, fit: Fit) -> list[tuple[float, StemDeviation]]:
    levels, errors = fit.levels()
    usual = _usual(levels, errors)
    if not usual:
        return []
    away, error = 1.0 - levels / usual, errors / abs(usual)
    scores = np.abs(away) - ERRORS * error
    return [
        (float(scores[n]), _deviation(name, float(levels[n] / usual), place))
        for n, name in enumerate(names)
        if scores[n] > 0.0 and abs(away[n]) >= LEAST_AWAY
    ]


def _usual(levels: Samples, errors: Samples) -> float:
    """Return the level of most stems: the median of those that are well known, of all where too few are."""
    first = float(np.median(levels[np.isfinite(errors)])) if np.isfinite(errors).any() else 0.0
    sure = levels[errors <= SURE_ERROR * abs(first)]
    return float(np.median(sure)) if len(sure) >= FEWEST_STEMS else first


def _deviation(name: str, level: float, place: RoughPlace) -> StemDeviation:
    level_db = db_from_linear(level) if level > 0.0 else None
    return StemDeviation(stem=name, level_db=level_db, start_s=place.start_s, end_s=place.end_s)
