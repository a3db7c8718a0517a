"""Every stem of a project as it is staged, or as it would be staged now; nothing is written and no lock is taken."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from stager.containers import HeaderFacts, header_facts
from stager.errors import InternalError, StepFailed, internal_errors
from stager.model import Outcome, Refused, Sidecar, StemName
from stager.model.bus import Part
from stager.model.handover import StemFacts
from stager.project import Project
from stager.project.inbox import stems_in
from stager.songset.preview import CopyPreview, would_be_copy
from stager.staging.batch import rehearse_all
from stager.staging.ledger import LEDGER, Known, read_entries
from stager.staging.state import StagingState, refused
from stager.staging.stem import StemJob
from stager.system.printable import shown


@dataclass(frozen=True)
class Gathered:
    """One stem: its original, the sidecar that it has or would have, and its facts for the set.

    `start_frames` is the original's time stamp, that of `facts` the one of what is handed over. `made` is what staging
    would make of a stem whose steps changed it, where it has no copy: a temporary file that lives as long as `preview`.
    """

    path: Path
    sidecar: Sidecar
    facts: StemFacts
    copy: Path | None
    start_frames: int | None
    made: Path | None = None
    preview: CopyPreview | None = None

    @property
    def is_silent(self) -> bool:
        """Whether there is nothing in it to compare."""
        return self.sidecar.levels.average_dbfs is None

    @property
    def steps(self) -> tuple[str, ...]:
        """The names of the steps between the original and what is handed over."""
        return tuple(step.name for step in self.sidecar.steps)


def gather(project: Project) -> tuple[list[Gathered], list[Refused]]:
    """Return every stem in the inbox, by name, and the refused ones; stems without a current copy are measured.

    Of those with steps, the samples that staging would write lie in a temporary folder for as long as they are
    referred to.

    Raises:
        PlaceError: where the inbox can't be looked through, or that folder has no room.
    """
    state = StagingState(project, Known(read_entries(project.state / LEDGER)))
    names = stems_in(project)
    known = {name: staged for name in names if (staged := state.current_now(name))}
    moving = [project.link_for(shown(name)) for name in names if name not in known]
    for name in [name for name in known if (link := project.link_for(shown(name))) and link in moving]:
        del known[name]  # a link with a member that is not staged yet is decided anew for all
    due = [name for name in names if name not in known]
    outcomes = known | dict(zip(due, rehearse_all(project, due), strict=True))
    gathered = _all_gathered(project, names, outcomes)
    refused = [one for one in gathered if isinstance(one, Refused)]
    return [one for one in gathered if isinstance(one, Gathered)], refused


def _all_gathered(project: Project, names: list[str], outcomes: Mapping[str, Outcome]) -> list[Gathered | Refused]:
    found: list[Gathered | Refused] = []
    preview = cache(CopyPreview)
    for name in names:
        try:
            with internal_errors(shown(name)):
                found.append(_one_gathered(project, name, outcomes[name], preview))
        except InternalError as error:
            found.append(refused(StemJob(project, StemName(name)), error))
    return found


def _one_gathered(
    project: Project, name: str, outcome: Outcome, preview: Callable[[], CopyPreview]
) -> Gathered | Refused:
    if isinstance(outcome, Refused):
        return outcome
    if outcome.sidecar.copy_ or not outcome.sidecar.steps:
        return _gathered(project, name, outcome.sidecar)
    return _made(project, name, outcome.sidecar, preview())


def _made(project: Project, name: str, sidecar: Sidecar, preview: CopyPreview) -> Gathered | Refused:
    """Run a stem's steps once more, for the samples; where they fail this time, the stem is refused."""
    path = project.inbox / name
    try:
        made = would_be_copy(project, sidecar.stem, path, sidecar, preview)
    except StepFailed as error:
        return Refused(sidecar.stem, sidecar.source.path, error.code, error.says)
    return replace(_gathered(project, name, sidecar, made), made=made, preview=preview)


def parts_of(project: Project, stems: list[Gathered]) -> Iterator[Part]:
    """Yield each stem as it goes into the bus: its copy, or what that would be, or its original with its trim."""
    for stem in stems:
        handed = stem.copy or stem.made
        gain_db = 0.0 if handed else stem.sidecar.trim.gain_db
        yield _part(project, stem, handed or stem.path, gain_db)


def restoring(project: Project, stems: list[Gathered]) -> tuple[list[Part], list[Part]]:
    """Return the copies with the fader moves that bring the balance back, and the originals.

    Stems with steps are not among them: no fader undoes what a step did to the sound.
    """
    copied = [stem for stem in stems if stem.copy and not stem.steps]
    moved = [_part(project, s, s.copy or s.path, s.sidecar.trim.restore_fader_db) for s in copied]
    return moved, [_part(project, stem, stem.path, 0.0) for stem in copied]


def originals(project: Project, stems: list[Gathered]) -> list[Part]:
    """Return the originals as they are."""
    return [_part(project, stem, stem.path, 0.0) for stem in stems]


def _part(project: Project, stem: Gathered, path: Path, gain_db: float) -> Part:
    role = project.role_for(stem.sidecar.stem)
    pan = role.pan if role else 0.0
    start = stem.start_frames if path == stem.path else stem.facts.start_frames
    return Part(path=path, name=stem.sidecar.stem, gain_db=gain_db, pan=pan, start_frames=start)


def _handed_over(sidecar: Sidecar, head: HeaderFacts, handed: Path | None) -> HeaderFacts:
    """Return the rate, shape and time stamp that a stem's steps gave it, in the encoding of the original."""
    if not sidecar.steps or handed is None:
        return head
    found = header_facts(handed)
    encoding = {"encoding": head.info.encoding, "valid_bits": head.info.valid_bits}
    return HeaderFacts(found.info.model_copy(update=encoding), found.start_frames)


def _gathered(project: Project, name: str, sidecar: Sidecar, made: Path | None = None) -> Gathered:
    path, role = project.inbox / name, project.role_for(shown(name))
    copy = project.folder / sidecar.copy_.path if sidecar.copy_ else None
    original = header_facts(path)
    head = _handed_over(sidecar, original, copy or made)
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
        allow=tuple(sorted(project.allowed_for(shown(name)))),
    )
    return Gathered(path, sidecar, facts, copy, original.start_frames)
