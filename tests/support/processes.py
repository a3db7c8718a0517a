"""A run as the system and its reader see it: which processes it has, and how often it told of each stem."""

import re
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.support.command import HUNG_S


@dataclass(frozen=True)
class Told:
    """How often each stem was told, by the lines of a run."""

    counts: Counter[str]

    @classmethod
    def of(cls, said: str) -> "Told":
        """Read the lines `3/9 staged NAME: ...` and `3/9 refused NAME, CODE: ...`."""
        return cls(Counter(re.findall(r"^\d+/\d+ (?:staged|refused) (.*?)(?:, [a-z_]+)?: ", said, re.MULTILINE)))

    def once(self, *names: str) -> bool:
        """Return whether each of these was told once, and nothing else was."""
        return dict(self.counts) == dict.fromkeys(names, 1)


def wait_for(found: Callable[[], Any]) -> Any:
    """Wait until there is something, and give it."""
    until = time.monotonic() + HUNG_S
    while not (there := found()):
        assert time.monotonic() < until, "nothing came"
        time.sleep(0.01)
    return there


def of_session(leader: int) -> list[int]:
    """Return the processes of a session but for its leader, from /proc."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == leader and fields[0] != "Z" and int(folder.name) != leader:
            found.append(int(folder.name))
    return found
