"""What a long proof is: a claim with its source and bound, and the figure that was found."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.support.command import Command


@dataclass(frozen=True)
class Proof:
    """One line of the result: what is claimed, who says what is right, the bound, the figure, and whether it holds."""

    claim: str
    source: str
    bound: str
    figure: str
    ok: bool


@dataclass(frozen=True)
class ProofContext:
    """What a proof works with: the installed command, a folder of its own, and how much to do.

    `jobs` is how many runs of the command may be at work at once; `first` and `files` are a part of numbered cases.
    """

    stager: Command
    folder: Path
    short: bool
    jobs: int = 1
    first: int = 0
    files: int = 0

    def count(self, whole: int) -> int:
        """Return how many of something to try: all, or a tenth."""
        return max(1, whole // 10) if self.short else whole


Theme = Callable[[ProofContext], Iterator[Proof]]
