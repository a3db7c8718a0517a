"""`stager measure`: levels and findings of any audio file."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stager.cli.exits import Exit, FailOn, ReferenceName
from stager.cli.screen import VERDICT_WORDS, fails, figure, print_json, print_measured, say
from stager.errors import StemError
from stager.hear import Heard, findings_of, hear
from stager.model import Finding, Levels, Refused, Verdict, worst
from stager.names import on_screen, shown

SETTLE_S: Final = 1.0
"""How long a file with a wrong header must have rested before that counts as final; a project's own default."""

COLUMNS: Final = (
    ("file", "left"),
    ("average", "right"),
    ("ungated", "right"),
    ("peak", "right"),
    ("true peak", "right"),
    ("crest", "right"),
    ("plays", "right"),
    ("verdict", "left"),
)


@dataclass(frozen=True)
class MeasuredFile:
    """One file with its levels and what they mean."""

    heard: Heard
    levels: Levels
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst finding's."""
        return worst(self.findings)

    @property
    def is_corrupt(self) -> bool:
        """Whether the file itself is damaged."""
        return any(finding.code == "corrupt" for finding in self.findings)

    def to_data(self) -> dict[str, Any]:
        """Give its place in the JSON document."""
        return {
            "source": self.heard.source.model_dump(mode="json"),
            "levels": self.levels.model_dump(mode="json"),
            "findings": [finding.model_dump(mode="json") for finding in self.findings],
            "verdict": self.verdict.value,
            "advice": None,
        }


def run(*, files: Sequence[Path], reference: ReferenceName, fail_on: FailOn | None, as_json: bool) -> Exit:
    """Measure each file and print what was found."""
    stems = [_measured(path, reference) for path in files]
    if as_json:
        print_json({"schema": "stager/measure/1", "stems": [stem.to_data() for stem in stems]})
    else:
        _print(stems, reference)
    bad = (isinstance(stem, Refused) or stem.is_corrupt or fails(stem.verdict, fail_on) for stem in stems)
    return Exit.SOME if any(bad) else Exit.DONE


def _measured(path: Path, reference: ReferenceName) -> MeasuredFile | Refused:
    name = shown(path)
    try:
        heard = hear(path, name, settle_s=SETTLE_S, take_cut=True)
    except StemError as error:
        return Refused(name, name, error.code, str(error))
    levels = heard.measured.levels(reference.value, "loudest")
    return MeasuredFile(heard, levels, tuple(findings_of(heard, levels)))


def _print(stems: Sequence[MeasuredFile | Refused], reference: ReferenceName) -> None:
    measured = [stem for stem in stems if isinstance(stem, MeasuredFile)]
    if measured:
        print_measured([_cells(stem) for stem in measured], COLUMNS)
        print(
            f"\naverage, ungated: dBFS RMS, a full-scale {reference.value} reads 0; average: gated, while the part plays"
        )
        print("peak: dBFS; true peak: dBTP; crest: dB, peak over RMS; plays: share of the file in which the part plays")
    for stem in stems:
        if isinstance(stem, Refused):
            say(f"refused {stem.stem} ({stem.refused}): {stem.says}")
            continue
        for finding in stem.findings:
            print(on_screen(f"{stem.heard.source.path}: {finding.says}"))


def _cells(stem: MeasuredFile) -> tuple[str, ...]:
    levels = stem.levels
    return (
        stem.heard.source.path,
        figure(levels.average_dbfs, 2),
        figure(levels.average_ungated_dbfs, 2),
        figure(levels.sample_peak_dbfs, 2),
        figure(levels.true_peak_dbtp, 2),
        figure(levels.crest_db),
        f"{levels.active_ratio:.0%}",
        VERDICT_WORDS[stem.verdict],
    )
