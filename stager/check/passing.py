"""Stems as their steps would leave them, for as long as a set is looked at: nothing of it lies in the project."""

import weakref
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Final

from stager.apply import copy_stream, history_words, needs_rounding
from stager.containers import CopyPlan, Gain, open_audio, write_copy
from stager.files import Draft, draft_in, placing
from stager.model import Sidecar
from stager.project import Project
from stager.sound import work_of
from stager.steps.processing import Processed, processing
from stager.units import linear_from_db

PREFIX: Final = "stager-check-"


class Passing:
    """A folder of the system's for temporary files. It goes with the last that refers to it, or with the process.

    Raises:
        PlaceError: where there can be none.
    """

    def __init__(self) -> None:
        with placing(Path(gettempdir())):
            folder = TemporaryDirectory(prefix=PREFIX)
        self.path = Path(folder.name)
        self._end = weakref.finalize(self, folder.cleanup)

    def end(self) -> None:
        """Remove the folder with all that is in it; at most once."""
        self._end()


def would_be_copy(project: Project, stem: str, path: Path, sidecar: Sidecar, passing: Passing) -> Path:
    """Write the very samples that staging would give a stem with steps; `sidecar` is what a rehearsal said of it.

    Raises:
        StemError: where a step fails, or the original is another file by now.
        PlaceError: where there is no room.
    """
    with processing(work_of(project, stem, "step"), path, keep_in=passing.path) as processed:
        draft = draft_in(passing.path)
        _write(project, path, sidecar, processed, draft)
    return draft.path


def _write(project: Project, path: Path, sidecar: Sidecar, processed: Processed, draft: Draft) -> None:
    settings, gain_db, of = project.settings.copy_, sidecar.trim.gain_db, sidecar.source.sha256
    before, after = processed.measured.info, copy_stream(processed.as_original, settings)
    dithered = settings.dither == "tpdf" and needs_rounding(before, after, gain_db)
    gain = Gain(linear_from_db(gain_db), dithered, of, processed.measured.silences)
    with open_audio(path, settle_s=0.0) as source, placing(draft.path):
        what = history_words(sidecar.stager.version, gain_db, dithered=dithered, steps=processed.names)
        write_copy(CopyPlan(source, of, gain, after, what, processed.blocks), draft.file)
        draft.file.close()
