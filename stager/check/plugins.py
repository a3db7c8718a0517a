"""What a set's report says of plug-ins: their checks asked about the whole set, the steps that no fader takes back."""

from collections.abc import Iterator, Sequence
from typing import Final

from stager.check.gather import Gathered
from stager.errors import StepFailed
from stager.judge.told import listed
from stager.model import Finding, PluginUse, Verdict
from stager.model.bus import BalanceResidual, LeftOut
from stager.model.handover import SetFinding
from stager.project import Project
from stager.steps.extras import set_findings

STEPPED: Final = "stepped"
"""Why a stem is left out of the balance that is brought back."""


def plugin_findings(project: Project, stems: Sequence[Gathered]) -> list[SetFinding]:
    """Ask every check that is a plug-in about each stem that it is used for, with the levels of all others beside.

    What a check says alike of several stems is one finding. A check that fails is one, too, and stops nothing.
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
    """Give what was said alike of several stems once, with all of them."""
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
            says=says if any(stem in says for stem in stems) else f"{listed(stems)}: {says}",
        )


def _measured(findings: Sequence[Finding]) -> dict[str, float | str | tuple[float, ...]]:
    """Give the figures behind findings that say the same: those of one, or of each of several where all have them."""
    first, *others = (finding.measured for finding in findings)
    if not others:
        return dict(first)
    figures = {name: [each.get(name) for each in (first, *others)] for name in first}
    return {name: tuple(row) for name in figures if len(row := _numbers(figures[name])) == len(findings)}


def _numbers(values: Sequence[float | str | None]) -> list[float]:
    return [value for value in values if isinstance(value, float)]


def with_steps_told(balance: BalanceResidual, stems: Sequence[Gathered]) -> BalanceResidual:
    """Say of the balance that was brought back which stems are not in it, since steps changed their sound."""
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
