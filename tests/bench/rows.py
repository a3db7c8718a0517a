"""One line of the result, and how lines are shown: for a terminal, for README, as JSON."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any, Final

from tests.bench.timing import Cost

TIMES: Final = "\N{MULTIPLICATION SIGN}"
COLUMNS: Final = ("work", "against", "ours", "theirs", "ratio", "spread", "cpu ratio", "bound", "ok")


@dataclass(frozen=True)
class Row:
    """One comparison. `ratio` is the median of the rounds' own ratios, `spread` the least and the greatest of them.

    `cpu_ratio` is that of processor seconds, which other work on the machine moves less. Without anything to compare
    with, ratio is None, `spread` is that of our figure, and so is the bound.
    """

    work: str
    against: str
    unit: str
    ours: float
    theirs: float | None
    ratio: float | None
    spread: tuple[float, float]
    bound: float | None = None
    ours_cpu_s: float | None = None
    theirs_cpu_s: float | None = None
    cpu_ratio: float | None = None

    @property
    def ok(self) -> bool | None:
        """Whether the bound is met; None without one."""
        if self.bound is None:
            return None
        return (self.ours if self.ratio is None else self.ratio) <= self.bound

    def cells(self) -> list[str]:
        """Return the text of each column."""
        sign = TIMES if self.ratio is not None else f" {self.unit}"
        low, high = self.spread
        return [
            self.work,
            self.against,
            _with_cpu(self.ours, self.unit, self.ours_cpu_s),
            _with_cpu(self.theirs, self.unit, self.theirs_cpu_s),
            "" if self.ratio is None else f"{self.ratio:.2f}",
            f"{_figure(low)}-{_figure(high)}",
            "" if self.cpu_ratio is None else f"{self.cpu_ratio:.2f}",
            "" if self.bound is None else f"{self.bound:g}{sign}",
            {None: "", True: "ok", False: "NO"}[self.ok],
        ]

    def to_data(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {**asdict(self), "ok": self.ok}


def compared(
    work: str, against: str, ours: Sequence[Cost], theirs: Sequence[Cost], *, bound: float | None = None
) -> Row:
    """Compare times on the wall, round by round; processor seconds stand beside them."""
    ratios = [our.wall_s / their.wall_s for our, their in zip(ours, theirs, strict=True)]
    return Row(
        work,
        against,
        "s",
        median(cost.wall_s for cost in ours),
        median(cost.wall_s for cost in theirs),
        median(ratios),
        (min(ratios), max(ratios)),
        bound,
        median(cost.cpu_s for cost in ours),
        median(cost.cpu_s for cost in theirs),
        median(our.cpu_s / their.cpu_s for our, their in zip(ours, theirs, strict=True)),
    )


def compared_figures(work: str, against: str, unit: str, ours: Sequence[float], theirs: Sequence[float]) -> Row:
    """Compare other figures than a run's times, round by round."""
    ratios = [our / their for our, their in zip(ours, theirs, strict=True)]
    return Row(work, against, unit, median(ours), median(theirs), median(ratios), (min(ratios), max(ratios)))


def alone(work: str, unit: str, figures: Sequence[float], *, bound: float | None = None, against: str = "") -> Row:
    """Return a figure that has its own bound, or none."""
    return Row(work, against, unit, median(figures), None, None, (min(figures), max(figures)), bound)


def text(rows: Iterable[Row]) -> str:
    """Return a table for a terminal."""
    cells = [list(COLUMNS), *(row.cells() for row in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cells
    )


def markdown(rows: Iterable[Row]) -> str:
    """Return a table for README."""
    return "\n".join(
        f"| {' | '.join(cells)} |" for cells in [COLUMNS, ["---"] * len(COLUMNS), *(row.cells() for row in rows)]
    )


def _figure(value: float) -> str:
    return f"{value:.2f}" if abs(value) < 100 else f"{value:.0f}"


def _with_cpu(value: float | None, unit: str, cpu_s: float | None) -> str:
    if value is None:
        return ""
    return f"{_figure(value)} {unit}" + ("" if cpu_s is None else f" (cpu {cpu_s:.2f})")
