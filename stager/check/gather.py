"""Every stem of a project as it is, or as it would be staged now; nothing is written and no lock is taken."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from stager.batch import rehearse_all
from stager.containers import header_facts
from stager.inbox import stems_in
from stager.ledger import Known, read_entries
from stager.model import Refused, Sidecar
from stager.model.bus import Part
from stager.model.handover import StemFacts
from stager.names import shown
from stager.project import Project
from stager.staging import LEDGER
from stager.standing import Standing


@dataclass(frozen=True)
class Gathered:
    """One stem: its original, what is or would be said of it, and its facts for the set."""

    path: Path
    sidecar: Sidecar
    facts: StemFacts
    copy: Path | None

    @property
    def is_silent(self) -> bool:
        """Whether there is nothing in it to compare."""
        return self.sidecar.levels.average_dbfs is None


def gather(project: Project) -> tuple[list[Gathered], list[Refused]]:
    """Give every stem in the inbox, by name, and those that are refused; stems without a current copy are measured.

    Raises:
        PlaceError: where the inbox can't be looked through.
    """
    standing = Standing(project, Known(read_entries(project.state / LEDGER)))
    names = stems_in(project)
    known = {name: staged for name in names if (staged := standing.current_now(name))}
    moving = [project.link_for(shown(name)) for name in names if name not in known]
    for name in [name for name in known if (link := project.link_for(shown(name))) and link in moving]:
        del known[name]  # a link with a member that is not staged yet is decided anew for all
    due = [name for name in names if name not in known]
    outcomes = known | dict(zip(due, rehearse_all(project, due), strict=True))
    found, refused = [], []
    for name in names:
        outcome = outcomes[name]
        if isinstance(outcome, Refused):
            refused.append(outcome)
        else:
            found.append(_gathered(project, name, outcome.sidecar))
    return found, refused


def parts_of(project: Project, stems: list[Gathered]) -> Iterator[Part]:
    """Give each stem as the bus hears it: its copy, or its original with its trim."""
    for stem in stems:
        gain_db = 0.0 if stem.copy else stem.sidecar.trim.gain_db
        yield _part(project, stem, stem.copy or stem.path, gain_db)


def restoring(project: Project, stems: list[Gathered]) -> tuple[list[Part], list[Part]]:
    """Give the copies with the fader moves that bring the balance back, and the originals."""
    copied = [stem for stem in stems if stem.copy]
    moved = [_part(project, s, s.copy or s.path, s.sidecar.trim.restore_fader_db) for s in copied]
    return moved, [_part(project, stem, stem.path, 0.0) for stem in copied]


def originals(project: Project, stems: list[Gathered]) -> list[Part]:
    """Give the originals as they are."""
    return [_part(project, stem, stem.path, 0.0) for stem in stems]


def _part(project: Project, stem: Gathered, path: Path, gain_db: float) -> Part:
    role = project.role_for(stem.sidecar.stem)
    pan = role.pan if role else 0.0
    start = stem.facts.start_frames
    return Part(path=path, name=stem.sidecar.stem, gain_db=gain_db, pan=pan, start_frames=start)


def _gathered(project: Project, name: str, sidecar: Sidecar) -> Gathered:
    path, role = project.inbox / name, project.role_for(shown(name))
    head = header_facts(path)
    used_bits = sidecar.levels.extra.get("used_bits")
    facts = StemFacts(
        stem=sidecar.stem,
        role=role.name if role else None,
        encoding=head.info.encoding,
        valid_bits=head.info.valid_bits,
        sample_rate_hz=head.info.sample_rate_hz,
        channels=head.info.channels,
        frames=head.info.frames,
        start_frames=head.start_frames,
        sample_peak_dbfs=sidecar.levels.sample_peak_dbfs,
        true_peak_dbtp=sidecar.levels.true_peak_dbtp,
        average_dbfs=sidecar.levels.average_dbfs,
        used_bits=None if used_bits is None else int(used_bits),
        findings=sidecar.findings,
        allow=tuple(map(str, role.allow)) if role else (),
    )
    copy = project.folder / sidecar.copy_.path if sidecar.copy_ else None
    return Gathered(path, sidecar, facts, copy)
