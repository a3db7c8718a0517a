"""Watches the folder of takes: each new recording is judged once it is complete, and neither locked nor staged."""

import json
import os
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from typing import Final

from stager.analysis.lifts import Lifts
from stager.analysis.takes import judge_take, lift_of, with_history
from stager.errors import ChangedStem, InternalError, StillGrowingStem, internal_errors
from stager.model import Fingerprint
from stager.model.takes import TAKES_SCHEMA, Take, TakeOutcome
from stager.project import Project
from stager.project.inbox import is_take, takes_in
from stager.staging.ledger import Ledger
from stager.staging.state import as_text
from stager.system.error_log import log_traceback
from stager.system.files import fingerprint_if_there, write_whole
from stager.system.open_files import held_for_writing
from stager.system.printable import shown
from stager.system.version import VERSION
from stager.watch.due import Due, Holders
from stager.watch.events import Events
from stager.watch.scan import Scan

TAKES_NAME: Final = "takes.json"
MOST_KEPT: Final = 200
"""Takes that `takes.json` lists: the latest ones."""
FOLDER_KEY: Final = b""
"""The ledger's key for the folder itself: what lay in it at the first scan is not judged."""

Judging = Future[tuple[TakeOutcome, Fingerprint | None]]


class TakesWatch:
    """The takes of one project. `on_take` receives every take, `log` every other line."""

    def __init__(
        self,
        project: Project,
        ledger: Ledger,
        executor: Executor,
        events: Events | None,
        on_take: Callable[[TakeOutcome], None],
        log: Callable[[str], None],
        holders: Holders = held_for_writing,
    ) -> None:
        assert project.takes is not None
        self._project, self._folder, self._ledger, self._executor = project, project.takes, ledger, executor
        self._on_take, self._log = on_take, log
        self._due = Due(self._folder, project.settings.project.settle_s, holders)
        self._known = ledger.known_takes()
        self._running: dict[str, Judging] = {}
        self._scan = Scan(events, lambda: takes_in(project), lambda name: is_take(project, name), self._log_no_events)
        self._lifts = Lifts(log, learns=project.settings.recording.learn)
        self.active_at_s = 0.0
        if self._known.get(FOLDER_KEY) != os.fspath(self._folder):
            self._record_known(takes_in(project))

    @property
    def is_busy(self) -> bool:
        """Whether a take is waited for or being judged."""
        return bool(self._due or self._running)

    @property
    def polls(self) -> bool:
        """Whether the folder is listed again and again, for want of events."""
        return self._scan.polls

    @property
    def queue(self) -> int:
        """How many takes wait or are being judged."""
        return len(self._due) + len(self._running)

    @property
    def waiting(self) -> dict[str, str]:
        """Why each take that isn't being judged waits, by name."""
        return self._due.reasons()

    def step(self, now_s: float, *, everything: bool = False) -> None:
        """Do what is due now.

        Raises:
            PlaceError: where the folder of takes or the project's own folder fails.
            Stopped: where the process was told to stop.
        """
        scanned = self._scan.at(now_s, everything=everything)
        for name in scanned.names:
            if name not in self._due and name not in self._running and self._is_new(name):
                self._due.add(name, now_s)
                self.active_at_s = now_s
        self._due.check_soon(scanned.hinted)
        self._scan.done(scanned, now_s)
        for name, _ in self._due.take_ready(now_s, 2 - len(self._running)):
            earlier, lift = self._before(name), self._lifts.of(shown(name))
            self._running[name] = self._executor.submit(judge_take, self._project, name, earlier, lift)
        for name in [name for name, work in self._running.items() if work.done()]:
            self._take(name, now_s)
        for says in self._due.overdue(now_s):
            self._log(f"waiting for take {says}")

    def end(self) -> None:
        """Cancel what is being judged; it is judged at the next start."""
        for work in self._running.values():
            work.cancel()
        for work in self._running.values():
            if not work.cancelled():
                work.exception()

    def _record_known(self, names: Iterable[str]) -> None:
        """Record what lies there at the first start as known; older takes are not judged."""
        found = [(os.fsencode(name), self._fingerprint_of(name), "") for name in names]
        self._note([*found, (FOLDER_KEY, os.fspath(self._folder), "")])

    def _note(self, takes: list[tuple[bytes, str, str]]) -> None:
        self._ledger.write_takes(takes)
        self._known |= {key: fingerprint for key, fingerprint, _ in takes}

    def _before(self, name: str) -> tuple[str, ...]:
        """Return the names of all takes that were there before this one, judged or not."""
        known = (os.fsdecode(key) for key in self._known if key != FOLDER_KEY)
        return tuple(shown(other) for other in (*known, *self._running) if other != name)

    def _is_new(self, name: str) -> bool:
        return self._known.get(os.fsencode(name)) != self._fingerprint_of(name)

    def _fingerprint_of(self, name: str) -> str:
        found = fingerprint_if_there(self._folder / name)
        return as_text(found) if found else ""

    def _take(self, name: str, now_s: float) -> None:
        """Record what was judged, and pass it on."""
        work = self._running.pop(name)
        try:
            outcome, fingerprint = work.result()
        except (StillGrowingStem, ChangedStem) as error:
            self._due.add(name, now_s, str(error))
            return
        self.active_at_s = now_s
        self._due.settled(name)
        outcome = self._guarded(name, lambda: self._compared(outcome)) or outcome
        self._guarded(name, lambda: self._record(name, outcome, fingerprint))
        self._known[os.fsencode(name)] = as_text(fingerprint) if fingerprint else ""
        self._on_take(outcome)

    def _guarded(self, name: str, step: Callable[[], TakeOutcome]) -> TakeOutcome | None:
        """Return what a step gives; None after an unexpected error, which is logged and takes no judgement away."""
        try:
            with internal_errors(shown(name)):
                return step()
        except InternalError as error:
            place = log_traceback(self._project.state, shown(name), error.traceback, VERSION)
            self._log(f"{error}; its traceback is in {shown(place)}")
            return None

    def _compared(self, outcome: TakeOutcome) -> TakeOutcome:
        """Return a take with what is learned from it and the earlier ones."""
        judged = [Take.model_validate_json(text) for text in self._ledger.judged_takes(MOST_KEPT) if _is_judged(text)]
        outcome = with_history(outcome, judged)
        self._lifts.learn(lift_of(self._project, outcome, judged))
        return outcome

    def _record(self, name: str, outcome: TakeOutcome, fingerprint: Fingerprint | None) -> TakeOutcome:
        self._note([(os.fsencode(name), as_text(fingerprint) if fingerprint else "", outcome.model_dump_json())])
        self._write()
        return outcome

    def _write(self) -> None:
        takes = [json.loads(text) for text in self._ledger.judged_takes(MOST_KEPT)]
        document = {"schema": TAKES_SCHEMA, "project": self._project.name, "takes": takes}
        write_whole(self._project.state / TAKES_NAME, (json.dumps(document, indent=2) + "\n").encode())

    def _log_no_events(self) -> None:
        self._log(f"{self._project.name}: the system tells of no new takes; looking every second instead")


def _is_judged(text: str) -> bool:
    return "refused" not in json.loads(text)
