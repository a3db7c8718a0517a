"""The user's own file of lifts: pairs of a level check and a take, over all songs that have `learn = true`."""

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from stager.errors import PlaceError
from stager.judge.lift import checked_part, learned_lift
from stager.model.takes import LIFT_SCHEMA, LearnedLift, LiftPair
from stager.system.files import read_whole, write_whole
from stager.system.locks import in_turn
from stager.system.user_folder import user_folder

LIFT_NAME: Final = "lift.json"
LOCK_NAME: Final = "lift.lock"
MOST_KEPT: Final = 2000
"""Pairs that are kept: the latest ones."""


def lift_file() -> Path:
    """Return where the pairs are kept.

    Raises:
        PlaceError: where the user has no folder.
    """
    return user_folder() / LIFT_NAME


def read_pairs() -> list[LiftPair]:
    """Return all pairs, oldest first; none where there are none yet, or what lies there is no such file.

    Raises:
        PlaceError: where the user has no folder.
    """
    with suppress(ValueError, KeyError, TypeError, RecursionError):
        document = json.loads(read_whole(lift_file()) or b"{}")
        if document["schema"] == LIFT_SCHEMA:
            return [LiftPair.model_validate(pair, extra="ignore") for pair in document["pairs"]]
    return []


def add_pair(pair: LiftPair) -> None:
    """Keep a pair; one of the same song, level check and take is replaced. Other processes may do the same meanwhile.

    Raises:
        PlaceError: where the user's folder can't be written.
    """
    place = lift_file()
    with in_turn(place.with_name(LOCK_NAME)):
        others = [one for one in read_pairs() if _key(one) != _key(pair)]
        pairs = [one.model_dump() for one in (*others, pair)][-MOST_KEPT:]
        document = {"schema": LIFT_SCHEMA, "pairs": pairs}
        write_whole(place, (json.dumps(document, indent=1) + "\n").encode())


class Lifts:
    """What is known of each part, and what is learned further; nothing of both unless the project `learns`.

    Where the user's folder can't be used, `log` is told once, and takes are judged without.
    """

    def __init__(self, log: Callable[[str], None], *, learns: bool) -> None:
        self._log, self._learns = log, learns

    def of(self, take: str) -> LearnedLift | None:
        """Return the learned lift of a take's part; None where too few pairs are known."""
        try:
            return learned_lift(read_pairs(), checked_part(take)) if self._learns else None
        except PlaceError as error:
            self._stop(error)
            return None

    def learn(self, pair: LiftPair | None) -> None:
        """Keep a pair, where there is one."""
        try:
            if self._learns and pair:
                add_pair(pair)
        except PlaceError as error:
            self._stop(error)

    def _stop(self, error: PlaceError) -> None:
        self._learns = False
        self._log(f"{error}; nothing is learned about level checks")


def _key(pair: LiftPair) -> tuple[str, str, str]:
    return pair.song, pair.check, pair.take
