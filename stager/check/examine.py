"""Examines a set of stems: what stands between them and whoever gets them, the doubles, the links, the bus."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

from stager.bus import against_rough, forecast, restored_balance
from stager.check.bus_offset import offset_db_of
from stager.check.gather import Gathered, gather, originals, parts_of, restoring
from stager.check.plugins import plugin_findings, with_steps_told
from stager.containers import fingerprint_if_there
from stager.inbox import stems_in
from stager.judge import handover, link_incomplete
from stager.judge.bus import room_for
from stager.judge.link_proposals import link_proposals
from stager.judge.pairs import Pair, kinship, may_be_copy, pair_findings
from stager.model import Refused, Verdict
from stager.model.bus import BalanceResidual, RoughMatch
from stager.model.check import Double, RefusedStem, SetReport
from stager.model.handover import SetFinding
from stager.model.pairs import Kinship
from stager.names import shown
from stager.pairs import ComparedPair, Kept, NamedStem, compare_set
from stager.pipeline import RULES_VERSION
from stager.project import Project
from stager.standing import as_text

MOST_COMPARED: Final = 400
"""Stems up to which pairs are looked for: a song has fewer, and of a thousand stems half a million pairs are to be
told apart (own figure). The rest of the examination has no such bound."""


@dataclass(frozen=True)
class Wish:
    """What is asked for beyond the usual: room for so many more parts, and a rough mix to hold the stems against.

    `kept` has what earlier examinations in this process told of the same files.
    """

    more: int | None = None
    rough: Path | None = None
    jobs: int = 2
    kept: Kept | None = None


def state_of(project: Project) -> str:
    """Name the state of a project's stems, settings and plug-ins: another one means that a report is out of date."""
    settings = f"{project.settings.model_dump_json(by_alias=True)} {project.bus_offset_db:g} {RULES_VERSION}"
    digest = sha256(settings.encode())
    for use in project.plugins:
        digest.update(f"{use.stamp().model_dump_json()}\0".encode())
    for name in stems_in(project):
        found = fingerprint_if_there(project.inbox / name)
        digest.update(f"{shown(name)}\0{as_text(found) if found else ''}\0".encode())
    return digest.hexdigest()


def examine(project: Project, wish: Wish | None = None) -> SetReport:
    """Examine a project's stems; nothing is written and no lock is taken.

    Raises:
        PlaceError: where the inbox can't be looked through.
        StemError: where the rough mix can't be read.
        Stopped: where the process was told to stop.
    """
    wish, of = wish or Wish(), state_of(project)
    stems, refused = gather(project)
    pairs, left_out = _compared(stems, wish)
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
        findings=_findings(project, stems, pairs),
        bus=found,
        offset_db=offset_db_of(project, stems) if bus.apply else None,
        links_proposed=tuple(link_proposals([each.pair for each in pairs], _linked(project, stems))),
        doubles=tuple(_double(each) for each in pairs if _is_told(each)),
        pairs_compared=len(pairs),
        pairs_left_out=left_out,
        balance=_balance(project, stems),
        room=room_for(found, wish.more) if wish.more is not None else None,
        rough=_rough(project, stems, wish.rough),
        starts_s={stem.facts.stem: float(start_s) for stem in stems if (start_s := stem.facts.start_s) is not None},
        refused=tuple(map(_refused, refused)),
    )


def _findings(project: Project, stems: Sequence[Gathered], pairs: Sequence[ComparedPair]) -> tuple[SetFinding, ...]:
    """All findings of the set, worst first; what is deliberate in the project is usable."""
    allow = frozenset(map(str, project.settings.project.allow))
    groups = zip(project.settings.links, _linked(project, stems), strict=True)
    waiting = [finding for link, names in groups for finding in link_incomplete(link.name, link.match, names)]
    copies = [finding for each in pairs if _is_copy(each.pair) for finding in pair_findings(each.pair, is_double=True)]
    found = [
        *_allowed([*copies, *waiting, *plugin_findings(project, stems)], project, allow),
        *handover([stem.facts for stem in stems], allow),
    ]
    return tuple(sorted(found, key=lambda finding: -finding.verdict.severity))


def _allowed(findings: Iterable[SetFinding], project: Project, allow: frozenset[str]) -> Iterable[SetFinding]:
    for finding in findings:
        codes = [project.allowed_for(stem) for stem in finding.stems]
        meant = finding.code in allow or (bool(codes) and all(finding.code in each for each in codes))
        yield finding.model_copy(update={"verdict": Verdict.USABLE}) if meant else finding


def _compared(stems: Sequence[Gathered], wish: Wish) -> tuple[tuple[ComparedPair, ...], int]:
    """Compare the likely pairs among the stems that sound, and count those left out; of too many stems, all are."""
    sounding = [stem for stem in stems if not stem.is_silent]
    if len(sounding) > MOST_COMPARED:
        return (), len(sounding) * (len(sounding) - 1) // 2
    named = [NamedStem(stem.path, stem.sidecar.stem, stem.facts.role) for stem in sounding]
    found = compare_set(named, jobs=wish.jobs, kept=wish.kept)
    return found.pairs, found.left_out


def _is_copy(pair: Pair) -> bool:
    return kinship(pair.likeness) is Kinship.COPY


def _is_told(each: ComparedPair) -> bool:
    """Whether a pair is told of: what should be a double, and a copy or what may be one under any name."""
    kind = kinship(each.pair.likeness)
    may_be = kind is Kinship.UNSURE and may_be_copy(each.pair.likeness)
    return each.candidate.is_double or kind is Kinship.COPY or may_be


def _double(each: ComparedPair) -> Double:
    pair, kind = each.pair, kinship(each.pair.likeness)
    told = pair_findings(pair, is_double=True)
    track, hits = pair.likeness.track, pair.likeness.hits
    by_hits = hits if kind is not Kinship.COPY and hits else None
    return Double(
        stems=pair.stems,
        kind=kind,
        lag_ms=by_hits.lag_ms if by_hits else (track.lag_ms if track else None),
        spread_ms=by_hits.spread_ms if by_hits else (track.spread_ms if track else None),
        says=told[0].says if told else f"{' and '.join(pair.stems)} are one take in two files.",
    )


def _linked(project: Project, stems: Sequence[Gathered]) -> list[list[str]]:
    names = [stem.sidecar.stem for stem in stems]
    return [[name for name in names if project.link_for(name) is link] for link in project.settings.links]


def _balance(project: Project, stems: Sequence[Gathered]) -> BalanceResidual | None:
    """Prove that the fader list brings the rough balance back; only where every stem has its copy."""
    if not stems or any(stem.copy is None for stem in stems):
        return None
    settings = project.settings
    copies, sources = restoring(project, list(stems))
    dithered = settings.copy_.dither == "tpdf"
    found = restored_balance(copies, sources, pan_law_db=settings.bus.pan_law_db, dithered=dithered)
    return with_steps_told(found, stems)


def _rough(project: Project, stems: Sequence[Gathered], rough: Path | None) -> RoughMatch | None:
    if rough is None:
        return None
    return against_rough(originals(project, list(stems)), rough, pan_law_db=project.settings.bus.pan_law_db)


def _refused(refused: Refused) -> RefusedStem:
    return RefusedStem(stem=refused.stem, refused=refused.refused, says=refused.says)
