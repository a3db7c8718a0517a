"""What plug-ins add to the check of a set: their findings, and which stems' steps no fader undoes."""

from collections.abc import Iterator, Sequence
from typing import Final

from stager.errors import StepFailed
from stager.judge.sentences import listed
from stager.model import Finding, PluginUse, Verdict
from stager.model.bus import BalanceResidual, LeftOut
from stager.model.handover import SetFinding
from stager.plugins.opinions import set_findings
from stager.project import Project
from stager.songset.gather import Gathered

STEPPED: Final = "stepped"
"""Why a stem is left out of the balance that is brought back."""


def plugin_findings(project: Project, stems: Sequence[Gathered]) -> list[SetFinding]:
    """Return the findings of every plug-in check about the stems it is used for, given the levels of all.

    The same sentence about several stems is one finding. A check that fails is a finding too, and stops nothing.
    """
    named = {stem.sidecar.stem: stem for stem in stems}
    checks = [use for use in project.plugins if use.source.kind == "check"]
    return [finding for use in checks for finding in _of_check(project, use, named)]


def _of_check(project: Project, use: PluginUse, named: dict[str, Gathered]) -> list[SetFinding]:
    meant = [stem for stem in named if use in project.plugins_for(stem, "check")]
    if not meant:
        return []
    levels = {stem: one.sidecar.levels for stem, one in named.items()}
    try:
        found = set_findings(use, levels, meant, project.folder)
    except StepFailed as error:
        return [SetFinding(code="check_failed", verdict=Verdict.LISTEN, stems=(), says=f"A check failed. {error}.")]
    return list(_together([(stem, finding) for stem in meant for finding in found[stem]]))


def _together(found: Sequence[tuple[str, Finding]]) -> Iterator[SetFinding]:
    """Yield findings with the same code, verdict and sentence as one, with all their stems."""
    alike: dict[tuple[str, Verdict, str], list[tuple[str, Finding]]] = {}
    for stem, finding in found:
        alike.setdefault((finding.code, finding.verdict, finding.says), []).append((stem, finding))
    for (code, verdict, says), members in alike.items():
        stems = tuple(stem for stem, _ in members)
        places = [finding.worst_at_s for _, finding in members if finding.worst_at_s is not None]
        yield SetFinding(
            code=code,
            verdict=verdict,
            stems=stems,
            at_s=tuple(places) if len(places) == len(stems) else (),
            measured=_measured([finding for _, finding in members]),
            says=f"{listed(stems)}: {says}",
        )


def _measured(findings: Sequence[Finding]) -> dict[str, float | str | tuple[float, ...]]:
    """Return the figures of merged findings: those of one, or a tuple of each figure that all have."""
    first, *others = (finding.measured for finding in findings)
    if not others:
        return dict(first)
    figures = {name: [each.get(name) for each in (first, *others)] for name in first}
    return {name: tuple(row) for name in figures if len(row := _numbers(figures[name])) == len(findings)}


def _numbers(values: Sequence[float | str | None]) -> list[float]:
    return [value for value in values if isinstance(value, float)]


def with_stepped_stems(balance: BalanceResidual, stems: Sequence[Gathered]) -> BalanceResidual:
    """Return the balance with the stems that are not in it because steps changed their sound."""
    stepped = [stem for stem in stems if stem.steps]
    if not stepped:
        return balance
    says = "{}: {} changed its sound, which no fader takes back"
    left = [
        LeftOut(name=stem.sidecar.stem, reason=STEPPED, says=says.format(stem.sidecar.stem, ", ".join(stem.steps)))
        for stem in stepped
    ]
    names = listed([stem.sidecar.stem for stem in stepped])
    told = f"Steps changed the sound of {names}, which no fader takes back."
    others = f"{balance.says} " if balance.parts else ""
    changes = {"left_out": (*balance.left_out, *left), "says": f"{others}{told}"}
    return balance.model_copy(update=changes)
