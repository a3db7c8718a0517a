"""How the installed command judges invented takes: file by file, and as a table by fault and sound."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from tests.prove.takes_case import Case
from tests.support import wavefile
from tests.support.command import Command

T = TypeVar("T")
R = TypeVar("R")
BATCH: Final = 50
"""Files a process."""
DAMAGE: Final = ("clipped", "clipped_upstream", "over_full_scale", "dropout", "corrupt")
VERDICTS: Final = ("usable", "listen", "play_again")
FLAT: Final = ("clipped", "clipped_upstream")
"""Where a top is flat, either name warns the musician; under which of them is counted apart."""


@dataclass(frozen=True)
class Outcome:
    """A case, its samples gone, with what the command said of it; `input_change_db` is 0 where it gave no advice."""

    case: Case
    findings: tuple[dict[str, Any], ...]
    verdict: str
    input_change_db: int

    @property
    def damage(self) -> str:
        """The worst verdict that damage was given."""
        found = [finding["verdict"] for finding in self.findings if finding["code"] in DAMAGE]
        return max(found, key=VERDICTS.index, default="usable")

    def told(self, code: str) -> bool:
        """Return whether a finding with this code asks for attention; a level between samples is only a fact."""
        quiet = ("inter_sample_over",)
        return any(found["code"] == code and (code in quiet or found["verdict"] != "usable") for found in self.findings)

    @property
    def found(self) -> bool:
        """Whether what is there was told."""
        expected = self.case.expected
        names = FLAT if expected in FLAT else (expected,)
        return any(self.told(name) for name in names if name)

    @property
    def named(self) -> bool:
        """Whether it was told under its own name."""
        return self.case.expected is not None and self.told(self.case.expected)

    @property
    def state(self) -> str:
        """Right, missed, found but judged otherwise, or a false alarm."""
        case = self.case
        if case.expected is None:
            return "right" if self.damage in case.accepts else "false alarm"
        if case.bound and not self.found:
            return "missed"
        return "right" if self.damage in case.accepts else "judged otherwise"


def judged(stager: Command, folder: Path, cases: Iterable[Case]) -> Iterator[Outcome]:
    """Yield what the command says of each case."""
    for outcomes in beside(batches(cases), lambda batch: _measured(stager, folder, batch)):
        yield from outcomes


def beside(makes: Iterable[T], measure: Callable[[T], R]) -> Iterator[R]:
    """Yield what is measured of each thing that is made; while one is measured, the next one is made."""
    with ThreadPoolExecutor(1) as worker:
        waiting: Future[R] | None = None
        for made in makes:
            started = worker.submit(measure, made)
            if waiting:
                yield waiting.result()
            waiting = started
        if waiting:
            yield waiting.result()


def _measured(stager: Command, folder: Path, batch: Sequence[Case]) -> list[Outcome]:
    """Write a batch as files, have them measured, and take them away again."""
    paths = [
        wavefile.write(folder / f"{number}.wav", case.samples, case.sample_rate_hz, case.kind)
        for number, case in enumerate(batch)
    ]
    result = stager("measure", *paths, "--json")
    assert result.stdout.startswith("{"), result.stderr
    for path in paths:
        path.unlink()
    return [_outcome(case, stem) for case, stem in zip(batch, result.json()["stems"], strict=True)]


def _outcome(case: Case, stem: dict[str, Any]) -> Outcome:
    assert "refused" not in stem, f"{case.name}: {stem}"
    change_db = (stem.get("advice") or {}).get("input_change_db") or 0
    bare = replace(case, samples=np.zeros((0, case.samples.shape[1])))
    return Outcome(bare, tuple(stem["findings"]), stem["verdict"], change_db)


def batches(cases: Iterable[T]) -> Iterator[list[T]]:
    """Cut cases into batches, making no more of them than one batch at a time."""
    batch: list[T] = []
    for case in cases:
        batch.append(case)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def table(outcomes: Sequence[Outcome]) -> list[str]:
    """Return lines by fault and sound: how many, found, under another name, verdicts, missed, falsely accused."""
    heads = ("cases", "bound", "found", "other name", *VERDICTS, "wrong")
    lines = [f"{'fault':<20}{'sound':<12}" + "".join(f"{head:>11}" for head in heads)]
    groups = sorted({(outcome.case.fault, outcome.case.sound) for outcome in outcomes})
    groups += [(fault, "all") for fault in sorted({fault for fault, _ in groups})]
    for fault, sound in groups:
        group = [o for o in outcomes if o.case.fault == fault and sound in (o.case.sound, "all")]
        lines.append(_row(fault, sound, group))
    return lines


def _row(fault: str, sound: str, group: Sequence[Outcome]) -> str:
    verdicts = Counter(outcome.damage for outcome in group)
    cells = (
        len(group),
        sum(outcome.case.expected is not None and outcome.case.bound for outcome in group),
        sum(outcome.found and outcome.case.bound for outcome in group),
        sum(outcome.found and outcome.case.bound and not outcome.named for outcome in group),
        *(verdicts[verdict] for verdict in VERDICTS),
        sum(outcome.state != "right" for outcome in group),
    )
    return f"{fault:<20}{sound:<12}" + "".join(f"{cell:>11}" for cell in cells)
