"""One stem on its way to a copy: the job, and what was measured of it."""

import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from stager.analysis.analyse import StemAnalysis, analyse, not_finite_sentence
from stager.errors import NameRefused, NotFiniteStem
from stager.judge import LinkMember, LinkTrim
from stager.model import StemName
from stager.project import Project, StemSettings


@dataclass(frozen=True)
class StemJob:
    """One stem to stage, and what earlier runs know of it.

    `known_sha256` is the source whose copy lies in the outbox and is up to date; `former_sha256` the source of the last
    copy, `version` that copy's (0: none yet), and `own_sha256s` the copies of this stem that we have written. `clash`
    says why its copy can't have its name.

    A stem in a link is staged once its link is decided: `member` is what it brought to the decision `link_trim`, and
    `analysis` what reading it gave then, where that was in this run.
    """

    project: Project
    name: StemName
    known_sha256: str | None = None
    former_sha256: str | None = None
    version: int = 0
    own_sha256s: frozenset[str] = frozenset()
    clash: str | None = None
    member: LinkMember | None = None
    link_trim: LinkTrim | None = None
    analysis: StemAnalysis | None = None

    @property
    def path(self) -> Path:
        """Where the original lies."""
        return self.project.inbox / self.name.relative

    @cached_property
    def settings(self) -> StemSettings:
        """What the project asks for this stem."""
        return self.project.for_stem(self.name.printable)


def analysed(job: StemJob, *, keep: bool = False) -> StemAnalysis:
    """Read and measure a stem; with `keep`, a short one's bytes are kept, so that its copy is made of these very bytes.

    Raises:
        StemError: where this stem can't be staged.
    """
    if job.clash:
        raise NameRefused(str(job.name), job.clash)
    named, settle_s = os.path.relpath(job.path, job.project.folder), job.project.settings.project.settle_s
    keep = keep and not job.settings.plugins_of("step")
    analysis = job.analysis or analyse(job.path, named, settle_s=settle_s, keep=keep)
    if analysis.measured.not_finite_frame is not None:
        raise NotFiniteStem(str(job.name), f"expected finite samples. {not_finite_sentence(analysis.measured)}")
    return analysis
