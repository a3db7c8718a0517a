"""What a cluster's library says, in our words, and its executor without a cluster."""

import os
from collections.abc import Callable
from concurrent.futures import CancelledError, Executor, Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from distributed import Client, KilledWorker

from stager.errors import ClusterFailed, NotFiniteStem, PlaceError, WorkerLost
from stager.model import StemName
from stager.staging.stem import StemJob
from stager.workers.dask import ClusterExecutor, connected_executor
from stager.workers.remote_jobs import RemoteJob
from tests.support.records import project

pytestmark = pytest.mark.long


class Manual(Executor):
    """Gives futures that the test settles."""

    def __init__(self) -> None:
        self.given: list[Future[Any]] = []

    def submit(self, _work: Callable[..., Any], /, *_args: Any, **_: Any) -> Future[Any]:
        self.given.append(Future())
        return self.given[-1]


class Pretended:
    """Has of a client what the executor asks of it."""

    def __init__(self) -> None:
        self.status, self.hands = "running", Manual()

    def get_executor(self, *, pure: bool) -> Executor:
        """Return the executor; with `pure`, equal calls would be one (its documentation), and none may be."""
        assert not pure
        return self.hands


def executor() -> tuple[ClusterExecutor, Pretended]:
    client = Pretended()
    return ClusterExecutor(cast("Client", client), "tcp://here:1"), client


KILLED = KilledWorker("task", cast("Any", SimpleNamespace(address="tcp://there:2")), 3)
SAID = {
    "every worker died": (KILLED, WorkerLost, "found that 4 of them died, the last at tcp://there:2"),
    "a stem's own": (NotFiniteStem("a.wav", "no"), NotFiniteStem, "a.wav: no"),
    "a place's own": (PlaceError("full"), PlaceError, "full"),
    "cut off": (OSError("gone"), ClusterFailed, "tcp://here:1: expected the scheduler to stay, found: gone"),
    "cancelled": (CancelledError(), ClusterFailed, "expected the scheduler to stay"),
    "without our code": (ImportError("no stager"), ClusterFailed, "expected workers with stager .*, found: no stager"),
    "a defect": (ZeroDivisionError("x"), ZeroDivisionError, "x"),
}


@pytest.mark.parametrize(("error", "kind", "says"), SAID.values(), ids=SAID.keys())
def test_errors_are_ours(error: BaseException, kind: type[BaseException], says: str) -> None:
    """What the library raises becomes an error of ours; ours stay, and a defect stays a defect."""
    made, client = executor()
    asked = made.submit(print, "work")
    client.hands.given[0].set_exception(error)
    with pytest.raises(kind, match=says):
        asked.result()


def test_a_result_arrives_once() -> None:
    """A result that comes after the run gave up on it changes nothing."""
    made, client = executor()
    first, second = made.submit(print, 1), made.submit(print, 2)
    client.hands.given[0].set_result(7)
    made.give_up(ClusterFailed("nobody left"))
    client.hands.given[1].set_result(8)
    assert first.result() == 7
    with pytest.raises(ClusterFailed, match="nobody left"):
        second.result()


def test_letting_go_reaches_the_cluster() -> None:
    """Work that is cancelled here is cancelled there; a scheduler that cancels by itself has gone away."""
    made, client = executor()
    assert made.submit(print, 1).cancel()
    assert client.hands.given[0].cancelled()
    asked = made.submit(print, 2)
    client.hands.given[1].cancel()
    with pytest.raises(ClusterFailed, match="found that it went away"):
        asked.result()
    client.status = "closed"
    with pytest.raises(ClusterFailed, match="found that it went away"):
        made.submit(print, 3)


def crash(_errand: RemoteJob) -> None:
    """End the process of a worker as a defect in a library would."""
    os.abort()


def test_a_stem_that_ends_every_worker(tmp_path: Path) -> None:
    """It is refused by its name after as many tries as the scheduler allows, and the workers after them do the rest."""
    song = project(tmp_path)
    errand = RemoteJob(crash, StemJob(song, StemName("a.wav")), "run0x0")
    with connected_executor("local", 1, song) as (executor, _):
        with pytest.raises(WorkerLost, match=r"a\.wav: expected a worker that lives .* found that 4 of them died"):
            executor.submit(crash, errand).result(120)
        assert executor.submit(os.getpid).result(120) != os.getpid()
