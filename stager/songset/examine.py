"""Examines a set of stems: faults for the handover, doubles, links, the mix bus."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

from stager.judge import handover, link_incomplete
from stager.judge.bus import room_for
from stager.judge.link_proposals import link_proposals
from stager.judge.pairs import copy_findings, kinship, may_be_copy, pair_findings
from stager.judge.planned import PartLevel, PlannedPart, planned_bus
from stager.model import Refused, Verdict
from stager.model.bus import BalanceResidual, BusForecast, PlannedBus, RoughMatch
from stager.model.check import Double, RefusedStem, SetReport, TakenOutStem
from stager.model.handover import SetFinding
from stager.model.pairs import Kinship
from stager.project import Project
from stager.project.inbox import stems_in
from stager.songset.bus import against_rough, forecast, restored_balance
from stager.songset.bus_offset import offset_db_of
from stager.songset.gather import Gathered, gather, originals, parts_of, restoring
from stager.songset.pairs import ComparedPair, ComparisonCache, NamedStem, compare_set
from stager.songset.plugin_findings import plugin_findings, with_stepped_stems
from stager.staging.prepare import RULES_VERSION
from stager.staging.state import as_text
from stager.staging.taken_out import taken_out
from stager.system.files import fingerprint_if_there
from stager.system.printable import shown
from stager.units import linear_from_db

MOST_COMPARED: Final = 400
"""Stems up to which pairs are compared: a song has fewer, a thousand make half a million pairs (own figure). The rest
of the examination has no such bound."""


@dataclass(frozen=True)
class CheckOptions:
    """What a check is to do beyond the usual: forecast `more` parts, compare the stems with the mix `rough`.

    `cache` has the results of earlier checks of this process; `on_phase` is called with a few words as each phase
    begins.
    """

    more: int | None = None
    rough: Path | None = None
    jobs: int = 2
    cache: ComparisonCache | None = None
    on_phase: Callable[[str], None] = lambda _says: None


def state_of(project: Project) -> str:
    """Return a digest of stems, settings and plug-ins: a check made under another digest is out of date."""
    settings = f"{project.settings.model_dump_json(by_alias=True)} {project.bus_offset_db:g} {RULES_VERSION}"
    digest = sha256(settings.encode())
    for use in project.plugins:
        digest.update(f"{use.stamp().model_dump_json()}\0".encode())
    for name in stems_in(project):
        found = fingerprint_if_there(project.inbox / name)
        digest.update(f"{shown(name)}\0{as_text(found) if found else ''}\0".encode())
    return digest.hexdigest()


def examine(project: Project, options: CheckOptions | None = None) -> SetReport:
    """Examine a project's stems; nothing is written and no lock is taken.

    Raises:
        PlaceError: where the inbox can't be looked through.
        StemError: where the rough mix can't be read.
        Stopped: where the process was told to stop.
    """
    options, of = options or CheckOptions(), state_of(project)
    options.on_phase("measuring the stems")
    stems, refused = gather(project)
    options.on_phase(f"comparing {len(stems)} stems with each other")
    pairs, left_out = _compared(stems, options)
    findings = _findings(project, stems, pairs)
    options.on_phase(f"adding up {len(stems)} stems")
    bus = project.settings.bus
    found = forecast(
        list(parts_of(project, stems)),
        pan_law_db=bus.pan_law_db,
        ceiling_dbtp=bus.ceiling_dbtp,
        step_db=project.settings.target.step_db,
    )
    return SetReport(
        project=project.name,
        at=datetime.now(UTC).isoformat(timespec="milliseconds"),
        of=of,
        stems=len(stems),
        findings=findings,
        bus=found,
        offset_db=offset_db_of(project, stems) if bus.apply else None,
        links_proposed=tuple(link_proposals([each.pair for each in pairs], _linked(project, stems))),
        doubles=_doubles(pairs, findings),
        pairs_compared=len(pairs),
        pairs_left_out=left_out,
        balance=_balance(project, stems),
        room=room_for(found, options.more) if options.more is not None else None,
        planned=_planned(project, stems, found),
        rough=_rough(project, stems, options.rough),
        starts_s={stem.facts.stem: float(start_s) for stem in stems if (start_s := stem.facts.start_s) is not None},
        refused=tuple(map(_refused, refused)),
        taken_out=tuple(TakenOutStem(stem=each.stem, copy_path=each.copy) for each in taken_out(project)),
    )


def _findings(project: Project, stems: Sequence[Gathered], pairs: Sequence[ComparedPair]) -> tuple[SetFinding, ...]:
    """Return all findings of the set, worst first; those allowed in the project file are usable."""
    allow = frozenset(map(str, project.settings.project.allow))
    groups = zip(project.settings.links, _linked(project, stems), strict=True)
    waiting = [finding for link, names in groups for finding in link_incomplete(link.name, link.match, names)]
    others = [*waiting, *copy_findings([each.pair for each in pairs]), *plugin_findings(project, stems)]
    found = [*handover([stem.facts for stem in stems], allow), *_allowed(others, project, allow)]
    return tuple(sorted(found, key=lambda finding: -finding.verdict.severity))


def _allowed(findings: Iterable[SetFinding], project: Project, allow: frozenset[str]) -> Iterable[SetFinding]:
    for finding in findings:
        codes = [project.allowed_for(stem) for stem in finding.stems]
        meant = finding.code in allow or (bool(codes) and all(finding.code in each for each in codes))
        yield finding.model_copy(update={"verdict": Verdict.USABLE}) if meant else finding


def _compared(stems: Sequence[Gathered], options: CheckOptions) -> tuple[tuple[ComparedPair, ...], int]:
    """Return the compared pairs among the stems that sound, and the number left out; of too many stems, all are."""
    sounding = [stem for stem in stems if not stem.is_silent]
    if len(sounding) > MOST_COMPARED:
        return (), len(sounding) * (len(sounding) - 1) // 2
    named = [NamedStem(stem.path, stem.sidecar.stem, stem.facts.role) for stem in sounding]
    found = compare_set(named, jobs=options.jobs, cache=options.cache)
    return found.pairs, found.left_out


def _is_reported(each: ComparedPair) -> bool:
    """Return whether a pair is reported: what should be a double, and a copy or what may be one under any name."""
    kind = kinship(each.pair.likeness)
    may_be = kind is Kinship.UNSURE and may_be_copy(each.pair.likeness)
    return each.candidate.is_double or kind is Kinship.COPY or may_be


def _doubles(pairs: Sequence[ComparedPair], findings: Sequence[SetFinding]) -> tuple[Double, ...]:
    """Return the doubles; a pair that can't be told is none where its family is known to be copies of one stem."""
    families = [frozenset(finding.stems) for finding in findings if finding.code == "double_is_copy"]
    found = [_double(each) for each in pairs if _is_reported(each)]
    return tuple(
        double
        for double in found
        if double.kind is not Kinship.UNSURE or not any(family.issuperset(double.stems) for family in families)
    )


def _double(each: ComparedPair) -> Double:
    pair, kind = each.pair, kinship(each.pair.likeness)
    found = pair_findings(pair, is_double=True)
    track, onsets = pair.likeness.track, pair.likeness.onsets
    by_onsets = onsets if kind is not Kinship.COPY and onsets else None
    return Double(
        stems=pair.stems,
        kind=kind,
        lag_ms=by_onsets.lag_ms if by_onsets else (track.lag_ms if track else None),
        spread_ms=by_onsets.spread_ms if by_onsets else (track.spread_ms if track else None),
        says=found[0].says if found else f"{' and '.join(pair.stems)} are one take in two files.",
    )


def _linked(project: Project, stems: Sequence[Gathered]) -> list[list[str]]:
    """Return the members of each link, in the order of the file."""
    members: dict[int, list[str]] = {id(link): [] for link in project.settings.links}
    for name in (stem.sidecar.stem for stem in stems):
        if link := project.link_for(name):
            members[id(link)].append(name)
    return list(members.values())


def _balance(project: Project, stems: Sequence[Gathered]) -> BalanceResidual | None:
    """Return the proof that the fader list brings the rough balance back; None unless every stem has its copy."""
    if not stems or any(stem.copy is None for stem in stems):
        return None
    settings = project.settings
    copies, sources = restoring(project, list(stems))
    dithered = settings.copy_.dither == "tpdf"
    found = restored_balance(copies, sources, pan_law_db=settings.bus.pan_law_db, dithered=dithered)
    return with_stepped_stems(found, stems)


def _planned(project: Project, stems: Sequence[Gathered], bus: BusForecast) -> PlannedBus | None:
    known = [
        PartLevel(each.facts.stem, each.facts.role, bus.part_powers.get(each.facts.stem, 0.0), _peak_linear(each))
        for each in stems
    ]
    wanted = [PlannedPart(each.name, each.like, each.role, each.count) for each in project.settings.planned]
    return planned_bus(bus, known, wanted)


def _peak_linear(stem: Gathered) -> float:
    peak_dbtp = stem.sidecar.trim.predicted_true_peak_dbtp
    return 0.0 if peak_dbtp is None else linear_from_db(peak_dbtp)


def _rough(project: Project, stems: Sequence[Gathered], rough: Path | None) -> RoughMatch | None:
    if rough is None:
        return None
    return against_rough(originals(project, list(stems)), rough, pan_law_db=project.settings.bus.pan_law_db)


def _refused(refused: Refused) -> RefusedStem:
    return RefusedStem.model_validate({**refused.to_data(), "traceback": refused.traceback})
