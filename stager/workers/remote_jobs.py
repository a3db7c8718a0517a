"""Work on stems in any executor of `concurrent.futures`, perhaps in other processes or on other machines.

A remote job is a pure function of a stem's job, but for the drafts that it writes in the project's folders. For as long
as a run lasts, a sign (a small file with the run's mark) lies in these folders. The worker checks it before the work,
since another folder under the same path would take copies that are never found, and after it, since drafts of a run
that has ended must not be left. At its end a run removes all its drafts, so a stem that two workers prepared is
published once and leaves nothing.
"""

import importlib.metadata
import socket
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import ParamSpec, TypeVar, cast

from stager.errors import ClusterFailed, StepFailed, Stopped
from stager.model import PluginSource
from stager.project import Project
from stager.staging.prepare import RULES_VERSION, Prepared
from stager.staging.stem import StemJob
from stager.system.drafts import marked, new_mark, sign_name
from stager.system.files import (
    fingerprint_if_there,
    is_folder,
    placing,
    read_whole,
    remove,
    sweep_drafts,
    write_passing,
)
from stager.system.printable import shown
from stager.system.version import VERSION

P = ParamSpec("P")
R = TypeVar("R")
Work = Callable[[StemJob], object]


@dataclass(frozen=True)
class RemoteJob:
    """Work on one stem, with the mark of the run that asks for it, and which `stager` that run is."""

    work: Work
    job: StemJob
    mark: str
    version: str = VERSION
    rules: int = RULES_VERSION


def run_remote_job(remote: RemoteJob) -> object:
    """Do the work, wherever this is; its drafts carry the run's mark.

    Raises:
        ClusterFailed: where this is another `stager`, or the project's folders are not here.
        Stopped: where the run has ended meanwhile; the drafts are gone.
        StemError: where this stem can't be staged.
        PlaceError: where the outbox can't be written.
    """
    check_version(remote.version, remote.rules)
    check_folders(remote.job.project)
    _check_sign(remote)
    for use in remote.job.project.plugins:
        _check_plugin(remote.job.name.printable, use.source)
    with marked(remote.mark):
        made = remote.work(_as_seen_here(remote.job))
    if isinstance(made, Prepared) and _missing_sign(remote):
        made.discard()
        raise Stopped("the run that asked for this stem has ended")
    return made


class RemoteExecutor(Executor):
    """Submits work as remote jobs of one run; made by `remote_executor`."""

    def __init__(self, executor: Executor, mark: str) -> None:
        self._executor, self._mark = executor, mark

    def submit(self, work: Callable[P, R], /, *args: P.args, **_: P.kwargs) -> Future[R]:
        """Submit the work on one job, which is its only argument."""
        (job,) = cast("tuple[StemJob]", args)
        return cast("Future[R]", self._executor.submit(run_remote_job, RemoteJob(cast("Work", work), job, self._mark)))


@contextmanager
def remote_executor(project: Project, executor: Executor) -> Iterator[RemoteExecutor]:
    """Yield the executor of one run, under the project's lock; at the end everything that was not published is gone.

    Raises:
        PlaceError: where the project's folders can't be written.
    """
    mark = new_mark()
    signs = _signs(project, mark)
    try:
        for sign in signs:
            write_passing(sign, mark.encode())
        yield RemoteExecutor(executor, mark)
    finally:
        for sign in signs:  # first: what comes after it removes itself, what came before it is swept
            remove(sign)
        for folder in (project.outbox, project.state):
            sweep_drafts(folder, mark)


def check_version(version: str, rules: int) -> None:
    """See that this is the same `stager` as the one that asks: another might give other trims.

    Raises:
        ClusterFailed: where it isn't.
    """
    if (version, rules) != (VERSION, RULES_VERSION):
        expected, found = f"stager {version} with rules {rules}", f"stager {VERSION} with rules {RULES_VERSION}"
        raise ClusterFailed(f"worker on {socket.gethostname()}: expected {expected}, found {found}")


def check_folders(project: Project) -> None:
    """See that the folders of a project are here.

    Raises:
        ClusterFailed: where one isn't.
    """
    for folder in (project.folder, project.inbox):
        if not is_folder(folder):
            raise _elsewhere(folder, "no such folder")


def _signs(project: Project, mark: str) -> tuple[Path, Path]:
    return project.outbox / sign_name(mark), project.state / sign_name(mark)


def _missing_sign(remote: RemoteJob) -> Path | None:
    signs = _signs(remote.job.project, remote.mark)
    return next((sign for sign in signs if read_whole(sign) != remote.mark.encode()), None)


def _check_sign(remote: RemoteJob) -> None:
    if missing := _missing_sign(remote):
        raise _elsewhere(missing.parent, "another folder or none" if is_folder(missing.parent) else "no such folder")
    inbox = remote.job.project.inbox
    with placing(inbox, "read"):
        if fingerprint_if_there(remote.job.path) is None and not any(inbox.iterdir()):
            raise _elsewhere(inbox, "an empty folder")


def _elsewhere(folder: Path, found: str) -> ClusterFailed:
    expected = "expected the folder of this project under the same path on every machine"
    return ClusterFailed(f"worker on {socket.gethostname()}: {shown(folder)}: {expected}, found {found}")


def _check_plugin(stem: str, source: PluginSource) -> None:
    """See that a plug-in of others is the one that the run has.

    Raises:
        StepFailed: where it isn't; the stem would get another copy.
    """
    if source.own or (_file_is_same(source) if source.file else source.origin in _origins(source)):
        return
    found = "another or none"
    expected = f"{source.kind} {source.name!r} of {source.origin}, version {source.version}"
    raise StepFailed(stem, f"worker on {socket.gethostname()}: expected {expected}, found {found}")


def _file_is_same(source: PluginSource) -> bool:
    content = read_whole(Path(source.file))
    return content is not None and f"({sha256(content).hexdigest()[:12]})" in source.version


def _origins(source: PluginSource) -> list[str]:
    found = importlib.metadata.entry_points(group=source.group, name=source.name)
    return [f"{entry.dist.name} {entry.dist.version}" for entry in found if entry.dist and entry.value == source.entry]


def _as_seen_here(job: StemJob) -> StemJob:
    """Return the job with this host's number of the disk in its fingerprint.

    With the number of the host that asked, the file would look like a changed one. Unchanged where nothing was
    analysed, or the file is gone.
    """
    here = fingerprint_if_there(job.path) if job.analysis else None
    if job.analysis is None or here is None:
        return job
    return replace(job, analysis=job.analysis.on_device(here.device))
