"""Watches the folder of takes: each new recording is judged once it is complete, and neither locked nor staged."""

import json
import os
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from typing import Final

from stager.containers import fingerprint_if_there
from stager.errors import ChangedStem, StillGrowingStem
from stager.files import write_whole
from stager.holders import held_for_writing
from stager.ledger import Ledger
from stager.model import Fingerprint
from stager.model.take import TAKES_SCHEMA, Take, TakeOutcome
from stager.project import Project
from stager.standing import as_text
from stager.takes import is_take, judge_take, takes_in, with_history
from stager.watch.due import Due, Holders
from stager.watch.events import Events
from stager.watch.look import Look

TAKES_NAME: Final = "takes.json"
MOST_KEPT: Final = 200
"""Takes that `takes.json` lists: the latest ones."""
FOLDER_KEY: Final = b""
"""Under which the ledger knows the folder itself: what lay in it when it was first looked at is not judged."""

Judging = Future[tuple[TakeOutcome, Fingerprint | None]]


class TakesWatch:
    """The takes of one project. `tell` hears of every take, `say` of everything else worth a line."""

    def __init__(
        self,
        project: Project,
        ledger: Ledger,
        executor: Executor,
        events: Events | None,
        tell: Callable[[TakeOutcome], None],
        say: Callable[[str], None],
        holders: Holders = held_for_writing,
    ) -> None:
        assert project.takes is not None
        self._project, self._folder, self._ledger, self._executor = project, project.takes, ledger, executor
        self._tell, self._say = tell, say
        self._due = Due(self._folder, project.settings.project.settle_s, holders)
        self._known = ledger.known_takes()
        self._at_work: dict[str, Judging] = {}
        self._look = Look(events, lambda: takes_in(project), lambda name: is_take(project, name), self._say_deaf)
        self.active_at_s = 0.0
        if self._known.get(FOLDER_KEY) != os.fspath(self._folder):
            self._begin_with(takes_in(project))

    @property
    def is_busy(self) -> bool:
        """Whether a take is waited for or being judged."""
        return bool(self._due or self._at_work)

    @property
    def queue(self) -> int:
        """How many takes wait or are being judged."""
        return len(self._due) + len(self._at_work)

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
        glance = self._look.at(now_s, everything=everything)
        for name in glance.names:
            if name not in self._due and name not in self._at_work and self._is_news(name):
                self._due.add(name, now_s)
                self.active_at_s = now_s
        self._due.hurry(glance.hinted)
        self._look.done(glance, now_s)
        for name, _ in self._due.ripe(now_s, 2 - len(self._at_work)):
            self._at_work[name] = self._executor.submit(judge_take, self._project, name)
        for name in [name for name, work in self._at_work.items() if work.done()]:
            self._take(name, now_s)
        for says in self._due.unsaid(now_s):
            self._say(f"waiting for take {says}")

    def end(self) -> None:
        """Let go of what is at work; it is judged at the next start."""
        for work in self._at_work.values():
            work.cancel()
        for work in self._at_work.values():
            if not work.cancelled():
                work.exception()

    def _begin_with(self, names: Iterable[str]) -> None:
        """Know what lies there at the first start; it is old, and nobody asked about it."""
        found = [(os.fsencode(name), self._look_at(name), "") for name in names]
        self._note([*found, (FOLDER_KEY, os.fspath(self._folder), "")])

    def _note(self, takes: list[tuple[bytes, str, str]]) -> None:
        self._ledger.write_takes(takes)
        self._known |= {key: fingerprint for key, fingerprint, _ in takes}

    def _is_news(self, name: str) -> bool:
        return self._known.get(os.fsencode(name)) != self._look_at(name)

    def _look_at(self, name: str) -> str:
        found = fingerprint_if_there(self._folder / name)
        return as_text(found) if found else ""

    def _take(self, name: str, now_s: float) -> None:
        """Note and tell what was judged."""
        work = self._at_work.pop(name)
        try:
            outcome, fingerprint = work.result()
        except (StillGrowingStem, ChangedStem) as error:
            self._due.add(name, now_s, str(error))
            return
        self.active_at_s = now_s
        self._due.dealt_with(name)
        judged = [Take.model_validate_json(text) for text in self._ledger.judged_takes(MOST_KEPT) if _is_judged(text)]
        outcome = with_history(outcome, judged)
        self._note([(os.fsencode(name), as_text(fingerprint) if fingerprint else "", outcome.model_dump_json())])
        self._write()
        self._tell(outcome)

    def _write(self) -> None:
        takes = [json.loads(text) for text in self._ledger.judged_takes(MOST_KEPT)]
        document = {"schema": TAKES_SCHEMA, "project": self._project.name, "takes": takes}
        write_whole(self._project.state / TAKES_NAME, (json.dumps(document, indent=2) + "\n").encode())

    def _say_deaf(self) -> None:
        self._say(f"{self._project.name}: the system tells of no new takes; looking every second instead")


def _is_judged(text: str) -> bool:
    return "refused" not in json.loads(text)
