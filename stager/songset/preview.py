"""Temporary copies of stems with their steps applied, for a check; none of them is written into the project."""

import weakref
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Final

from stager.analysis.analyse import Processed
from stager.containers import open_audio, write_copy
from stager.model import Sidecar
from stager.plugins.chain import Work
from stager.project import Project
from stager.staging.copy_spec import planned_copy
from stager.staging.render import copy_plan
from stager.staging.steps import processing
from stager.system.files import Draft, draft_in, placing

PREFIX: Final = "stager-check-"


class CopyPreview:
    """A temporary folder, removed with the last reference to it, or with the process.

    Raises:
        PlaceError: where it can't be made.
    """

    def __init__(self) -> None:
        with placing(Path(gettempdir())):
            folder = TemporaryDirectory(prefix=PREFIX)
        self.path = Path(folder.name)
        self._end = weakref.finalize(self, folder.cleanup)

    def end(self) -> None:
        """Remove the folder with all that is in it; at most once."""
        self._end()


def would_be_copy(project: Project, stem: str, path: Path, sidecar: Sidecar, preview: CopyPreview) -> Path:
    """Write the samples that staging would give a stem with steps; `sidecar` is the one of its dry run.

    Raises:
        StemError: where a step fails, or the original is another file by now.
        PlaceError: where there is no room.
    """
    work = Work(stem, project.plugins_for(stem, "step"), project.folder)
    with processing(work, path, keep_in=preview.path) as processed:
        draft = draft_in(preview.path)
        _write(project, path, sidecar, processed, draft)
    return draft.path


def _write(project: Project, path: Path, sidecar: Sidecar, processed: Processed, draft: Draft) -> None:
    steps, figures = [stamp.name for stamp in processed.stamps], processed.measured
    with open_audio(path, settle_s=0.0) as source, placing(draft.path):
        spec = planned_copy(source.info, figures.info, project.settings.copy_, sidecar.trim.gain_db, steps)
        plan = copy_plan(source, sidecar.source.sha256, spec, figures, processed.blocks)
        write_copy(plan, draft.file)
        draft.file.close()
