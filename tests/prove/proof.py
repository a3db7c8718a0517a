"""What a long proof is: a claim with its source and bound, and the figure that was found."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.outside.command import Command


@dataclass(frozen=True)
class Proof:
    """One line of the result: what is claimed, who says what is right, the bound, the figure, and whether it holds."""

    claim: str
    source: str
    bound: str
    figure: str
    ok: bool


@dataclass(frozen=True)
class Bench:
    """What a proof works with: the installed command, a folder of its own, and how much to do."""

    stager: Command
    folder: Path
    short: bool

    def count(self, whole: int) -> int:
        """Give how many of something to try: all, or a tenth."""
        return max(1, whole // 10) if self.short else whole


Theme = Callable[[Bench], Iterator[Proof]]
