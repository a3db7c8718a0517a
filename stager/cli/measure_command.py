"""`stager measure`: levels and findings of any audio file."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stager.cli.exits import Exit, FailOn, ReferenceName
from stager.cli.screen import fails, print_json
from stager.errors import StemError
from stager.hear import findings_of, hear
from stager.judge import Aim, advise
from stager.model import Advice, Finding, Levels, Refused, SourceInfo, Verdict, worst
from stager.names import shown
from stager.report import VERDICT_WORDS, Row, convention, figure, rows_text

SETTLE_S: Final = 1.0
"""How long a file with a wrong header must have rested before that counts as final; a project's own default."""

COLUMNS: Final = ("file", "average", "loudness", "peak", "true peak", "crest", "noise")


@dataclass(frozen=True)
class MeasuredFile:
    """One file with its levels and what they mean."""

    source: SourceInfo
    levels: Levels
    findings: tuple[Finding, ...]
    advice: Advice | None

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
            "source": self.source.model_dump(mode="json"),
            "levels": self.levels.model_dump(mode="json"),
            "findings": [finding.model_dump(mode="json") for finding in self.findings],
            "verdict": self.verdict.value,
            "advice": self.advice.model_dump(mode="json") if self.advice else None,
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
        heard = hear(path, str(path), settle_s=SETTLE_S, take_cut=True)
    except StemError as error:
        return Refused(name, name, error.code, str(error))
    levels = heard.measured.levels(reference.value, "loudest")
    findings = tuple(findings_of(heard, levels, part=path.stem))
    event = heard.measured.condition.loudest_event if heard.measured.condition else None
    advice = advise(levels, Aim(), event=event, findings=findings, duration_s=heard.source.duration_s)
    return MeasuredFile(heard.source, levels, findings, advice)


def _print(stems: Sequence[MeasuredFile | Refused], reference: ReferenceName) -> None:
    print(rows_text(COLUMNS, [_row(stem) for stem in stems], left=1))
    print(f"\naverage: dBFS RMS while the part plays ({convention(reference.value)});")
    print("loudness: LUFS, integrated; peak: dBFS; true peak: dBTP; crest: dB, peak over RMS;")
    print("noise: dBFS RMS of the pauses, in the same convention. A dash: nothing to measure.")


def _row(stem: MeasuredFile | Refused) -> Row:
    if isinstance(stem, Refused):
        return Row((stem.stem, *[""] * (len(COLUMNS) - 1)), (f"REFUSED, {stem.refused}: {stem.says}",))
    levels = stem.levels
    cells = (
        stem.source.path,
        figure(levels.average_dbfs, 2),
        figure(levels.loudness_lufs, 2),
        figure(levels.sample_peak_dbfs, 2),
        figure(levels.true_peak_dbtp, 2),
        figure(levels.crest_db),
        figure(levels.noise_floor_dbfs),
    )
    return Row(cells, tuple(f"{VERDICT_WORDS[finding.verdict]}: {finding.says}" for finding in stem.findings))
