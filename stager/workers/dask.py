"""The only door to dask.distributed: workers of a cluster, here or in the network, as an executor.

A scheduler runs whatever code it is sent, by nature: it belongs into a network where everybody is trusted. The stems of
a worker that is lost are put to work again by others; what the first attempt left is removed with the run.
"""

import importlib.metadata
import logging
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import CancelledError, Executor, Future
from contextlib import ExitStack, contextmanager, suppress
from threading import Event, Thread
from typing import Any, Final, ParamSpec, TypeVar

import dask
from distributed import Client, KilledWorker, LocalCluster
from distributed.comm.addressing import get_address_host_port

from stager.errors import ClusterFailed, StagerError, WorkerLost
from stager.project import Project
from stager.staging.prepare import RULES_VERSION
from stager.staging.queue import ExecutorChoice
from stager.system.processes import undisturbed
from stager.system.version import VERSION
from stager.workers.remote_jobs import RemoteJob, check_folders, check_version, remote_executor

P = ParamSpec("P")
R = TypeVar("R")

LOCAL: Final = "local"
"""The word for a cluster of processes on this machine."""
ANSWER_S: Final = 15.0
"""How long a scheduler may take to answer at first, and its first worker to come (own figure)."""
ALONE_S: Final = 60.0
"""How long stems wait for a worker once all are gone (own figure: a machine that restarts is back by then)."""
LOOK_S: Final = 2.0
AHEAD: Final = 2
"""Stems a worker is handed at once, so that it has the next one when it is done with one."""
SETTINGS: Final[dict[str, list[str]]] = {"distributed.scheduler.http.routes": [], "distributed.worker.http.routes": []}
"""For a cluster of our own: what it would tell a browser is told to nobody."""


@contextmanager
def workers(cluster: str, jobs: int | None, project: Project) -> Iterator[ExecutorChoice]:
    """Yield the workers at a scheduler's address such as `tcp://10.0.0.5:8786`, or for `local`, processes made here.

    `jobs` is how many processes are made, or how many stems are handed to the scheduler at once.

    Raises:
        ClusterFailed: where nobody answers, or a worker has another `stager` or not the project's folders.
    """
    with connected_executor(cluster, jobs, project) as (executor, count):
        at_once = AHEAD * count if cluster == LOCAL else jobs or AHEAD * count
        yield ExecutorChoice(at_once, lambda project: remote_executor(project, executor))


@contextmanager
def connected_executor(cluster: str, jobs: int | None, project: Project) -> Iterator[tuple["ClusterExecutor", int]]:
    """Yield the executor of a cluster whose workers were checked, with the number of its workers.

    Raises:
        ClusterFailed: as `workers`.
    """
    _hush()
    with ExitStack() as stack:
        address = stack.enter_context(_made_here(jobs or os.cpu_count() or 1)) if cluster == LOCAL else cluster
        client = stack.enter_context(_connected(address))
        count = _checked(client, address, project)
        executor = stack.enter_context(_watched(ClusterExecutor(client, address)))
        yield executor, count


class ClusterExecutor(Executor):
    """Submits work to the scheduler of a client, and turns its failures into our own errors; made by `workers`."""

    def __init__(self, client: Client, address: str) -> None:
        self._client, self.address = client, address
        self._executor = client.get_executor(pure=False)  # a stem that is put to work again is no known result
        self._open: set[Future[Any]] = set()

    def submit(self, work: Callable[P, R], /, *args: P.args, **keys: P.kwargs) -> Future[R]:
        """Hand out work; where a worker is lost with it, another one does it.

        Raises:
            ClusterFailed: where the scheduler went away.
        """
        if self._client.status != "running":
            raise self.lost()
        asked: Future[R] = Future()
        given = self._executor.submit(work, *args, **keys)
        self._open.add(asked)
        stem = args[0].job.name.printable if args and isinstance(args[0], RemoteJob) else "?"
        given.add_done_callback(lambda done: self._settle(asked, done, stem))
        asked.add_done_callback(lambda done: self._let_go(done, given))
        return asked

    def worker_count(self) -> int:
        """Ask the scheduler how many workers it has.

        Raises:
            OSError: where it does not answer.
        """
        return int(self._client.scheduler_info(n_workers=0)["n_workers"])

    def lost(self) -> ClusterFailed:
        """Return the error for a scheduler that went away."""
        return ClusterFailed(f"{self.address}: expected the scheduler to stay, found that it went away")

    def give_up(self, error: ClusterFailed) -> None:
        """End all that is at work with an error."""
        for asked in tuple(self._open):
            if asked.set_running_or_notify_cancel():
                asked.set_exception(error)

    def _settle(self, asked: Future[R], done: Future[R], stem: str) -> None:
        if asked.done() or not asked.set_running_or_notify_cancel():
            return
        if done.cancelled():
            asked.set_exception(self.lost())
        elif error := done.exception():
            asked.set_exception(_translated(self.address, stem, error))
        else:
            asked.set_result(done.result())

    def _let_go(self, asked: Future[R], given: Future[R]) -> None:
        self._open.discard(asked)
        if asked.cancelled():
            given.cancel()


def _translated(address: str, stem: str, error: BaseException) -> BaseException:
    if isinstance(error, KilledWorker):
        died = f"{error.allowed_failures + 1} of them died, the last at {error.last_worker.address}"
        return WorkerLost(stem, f"expected a worker that lives until its copy is made, found that {died}")
    if isinstance(error, StagerError):
        return error
    if isinstance(error, CancelledError | OSError):
        return ClusterFailed(f"{address}: expected the scheduler to stay, found: {error}")
    if isinstance(error, ImportError | AttributeError):
        return ClusterFailed(f"{address}: expected workers with stager {VERSION}, found: {error}")
    return error


def _hush() -> None:
    """Translate the library's errors into one of ours, and keep its own messages quiet."""
    for name in list(logging.root.manager.loggerDict):
        if name.split(".")[0] in {"distributed", "tornado", "asyncio"}:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


@contextmanager
def _made_here(count: int) -> Iterator[str]:
    """Start a scheduler and workers on the loopback address; all they keep lies in a temporary folder."""
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="stager-", ignore_cleanup_errors=True))
        stack.enter_context(dask.config.set({**SETTINGS, "temporary-directory": folder}))
        with undisturbed():
            made = LocalCluster(
                n_workers=count,
                threads_per_worker=1,
                processes=True,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",
                scheduler_kwargs={"dashboard": False},
                memory_limit=0,
                local_directory=folder,
                silence_logs=logging.CRITICAL,
            )
            stack.enter_context(made)
        yield made.scheduler_address


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    """Connect to a scheduler.

    Raises:
        ClusterFailed: where nobody answers there in time, or this is no address.
    """
    try:
        get_address_host_port(address, strict=True)
    except ValueError as error:
        expected = f"expected {LOCAL!r}, or a scheduler's address such as tcp://10.0.0.5:8786"
        raise ClusterFailed(f"--cluster {address}: {expected}; found: {error}") from error
    try:
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    except OSError as error:
        found = str(error).splitlines()[0] if str(error) else "nobody"
        raise ClusterFailed(
            f"{address}: expected a scheduler to answer within {ANSWER_S:g} s, found: {found}"
        ) from error
    with client:
        yield client


def _checked(client: Client, address: str, project: Project) -> int:
    """See that there are workers which can do the work; return how many stems they process at once."""
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
        _agree(client.run(importlib.metadata.version, "stager", on_error="return"), f"stager {VERSION}")
        _agree(client.run(check_version, VERSION, RULES_VERSION, on_error="return"), f"stager {VERSION}")
        _agree(client.run(check_folders, project, on_error="return"), "the project's folders")
        return sum(client.nthreads().values())
    except OSError as error:
        raise ClusterFailed(f"{address}: expected a worker within {ANSWER_S:g} s, found: {error}") from error


def _agree(found: Mapping[str, object], expected: str) -> None:
    """See that no worker answers with an error, or with another version."""
    for worker, answer in sorted(found.items()):
        if isinstance(answer, ClusterFailed):
            raise ClusterFailed(f"{worker}: {answer}")
        if isinstance(answer, BaseException) or answer not in (None, VERSION):
            told = f"{type(answer).__name__}: {answer}" if isinstance(answer, BaseException) else f"stager {answer}"
            raise ClusterFailed(f"{worker}: expected a worker with {expected}, found {told}")


@contextmanager
def _watched(executor: ClusterExecutor) -> Iterator[ClusterExecutor]:
    """Look now and then whether there is a worker left, so that nobody waits for ever."""
    over = Event()

    def look() -> None:
        alone_s = 0.0
        while not over.wait(LOOK_S):
            with suppress(OSError):  # a scheduler that went away ends every future by itself
                alone_s = 0.0 if executor.worker_count() else alone_s + LOOK_S
            if alone_s >= ALONE_S:
                executor.give_up(ClusterFailed(f"{executor.address}: expected a worker, found none for {ALONE_S:g} s"))

    Thread(target=look, name="cluster", daemon=True).start()
    try:
        yield executor
    finally:
        over.set()
