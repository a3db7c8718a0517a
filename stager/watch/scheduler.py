"""Runs the steps of many supervisors, each when it is due: one thread decides, a few others do them."""

import queue
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import count
from math import inf
from typing import Final, Protocol

STEP_THREADS: Final = 8
"""Steps that run at once: a project whose folders don't answer occupies one of them, and delays no other."""
CALM_S: Final = 1.0
"""How long a project where nothing happens rests between two steps; longer where there are many projects."""
LONGEST_CALM_S: Final = 15.0
"""The longest rest between two steps: within it a watch shows that it lives, and notices an edited project file."""
CALM_SHARE: Final = 0.01
POLL_SHARE: Final = 0.25
"""The share of a core that the steps of all calm projects may take: where the system reports changes, and elsewhere."""
LEARNING: Final = 0.05
"""The weight of the latest calm step in the running mean of what such a step costs."""
GAP_S: Final = 0.02
"""The shortest time between the starts of two steps of a project, however many events there are."""


class Steps(Protocol):
    """What is scheduled; none of its methods raises."""

    @property
    def delay_s(self) -> float | None:
        """How long until the next step is due; None where nothing is."""

    @property
    def polls(self) -> bool:
        """Whether its folders are listed again and again, for want of events."""

    def step(self, now_s: float) -> None:
        """Do what is due."""

    def end(self) -> None:
        """Close everything."""


@dataclass(eq=False)
class _Turn:
    """A scheduled object, when its next step is due, and whether one is running now."""

    steps: Steps
    due_at_s: float = 0.0
    begun_at_s: float = -GAP_S
    is_running: bool = False
    is_woken: bool = False
    is_calm: bool = False
    is_removed: bool = False


@dataclass(frozen=True)
class _Finished:
    """A step that has run, and the processor time it took."""

    turn: _Turn
    cost_s: float


class Scheduler:
    """Schedules steps; all methods but `wake` and `interrupt` belong to one thread.

    No object is in two steps at once. Calm objects are stepped less often where there are many, so that all together
    take no more than a fixed share of a core.
    """

    def __init__(self) -> None:
        self._executor = ThreadPoolExecutor(STEP_THREADS, thread_name_prefix="step")
        self._messages: queue.SimpleQueue[Steps | _Finished | None] = queue.SimpleQueue()
        self._turns: dict[Steps, _Turn] = {}
        self._due: list[tuple[float, int, _Turn]] = []
        self._number = count()
        self._running = 0
        self._calm_cost_s = 0.0

    def add(self, steps: Steps) -> None:
        """Schedule an object; its first step begins at once."""
        turn = self._turns[steps] = _Turn(steps)
        self._start(turn, time.monotonic())

    def remove(self, steps: Steps) -> None:
        """Schedule an object no longer, and end it after the step that may be running."""
        turn = self._turns.pop(steps)
        turn.is_removed = True
        if not turn.is_running:
            self._executor.submit(steps.end)

    def wake(self, steps: Steps) -> None:
        """Make the next step due now; may be called from any thread."""
        self._messages.put(steps)

    def interrupt(self) -> None:
        """Make `run` return; may be called from a signal handler, as putting on this kind of queue is reentrant."""
        self._messages.put(None)

    def run(self, for_s: float) -> None:
        """Begin the steps that are due, for this long, or until interrupted."""
        end_s = time.monotonic() + for_s
        while (now_s := time.monotonic()) < end_s:
            next_s = min(end_s, self._start_due(now_s))
            try:
                message = self._messages.get(timeout=max(0.0, next_s - now_s))
            except queue.Empty:
                continue
            if message is None:
                return
            self._receive(message)

    def close(self) -> None:
        """End all objects, and wait until they have ended."""
        for steps in list(self._turns):
            self.remove(steps)
        while self._running:
            message = self._messages.get()
            if message is not None:
                self._receive(message)
        self._executor.shutdown()

    def _start_due(self, now_s: float) -> float:
        """Begin every step that is due; return when the next one is."""
        while self._due and self._due[0][0] <= now_s:
            at_s, _, turn = heappop(self._due)
            if at_s == turn.due_at_s and not turn.is_running and not turn.is_removed:
                self._start(turn, now_s)
        return self._due[0][0] if self._due else inf

    def _start(self, turn: _Turn, now_s: float) -> None:
        turn.begun_at_s, turn.is_running, turn.is_woken = now_s, True, False
        self._running += 1
        self._executor.submit(self._step, turn)

    def _step(self, turn: _Turn) -> None:
        begun_s = time.thread_time()
        try:
            turn.steps.step(time.monotonic())
        finally:
            self._messages.put(_Finished(turn, time.thread_time() - begun_s))

    def _receive(self, message: Steps | _Finished) -> None:
        """Take note of a step that has run, or of an object that is to be stepped now."""
        if isinstance(message, _Finished):
            self._running -= 1
            message.turn.is_running = False
            if message.turn.is_removed:
                self._executor.submit(message.turn.steps.end)
            else:
                self._schedule(message.turn, message.cost_s)
        elif turn := self._turns.get(message):
            turn.is_woken = True
            if not turn.is_running:
                self._schedule(turn)

    def _schedule(self, turn: _Turn, cost_s: float | None = None) -> None:
        delay_s = turn.steps.delay_s
        was_calm, turn.is_calm = turn.is_calm, delay_s is None and not turn.is_woken
        if turn.is_woken:
            turn.due_at_s = turn.begun_at_s + GAP_S
        elif delay_s is None:
            if was_calm and cost_s is not None:
                self._calm_cost_s += LEARNING * (cost_s - self._calm_cost_s)
            round_s = len(self._turns) * self._calm_cost_s / (POLL_SHARE if turn.steps.polls else CALM_SHARE)
            turn.due_at_s = time.monotonic() + min(max(CALM_S, round_s), LONGEST_CALM_S)
        else:
            turn.due_at_s = time.monotonic() + delay_s
        heappush(self._due, (turn.due_at_s, next(self._number), turn))
