"""What a watch says, and to whom: from many threads, one line at a time."""

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock
from typing import Literal

from stager.bench import News
from stager.model.take import TakeOutcome
from stager.project import Project

Level = Literal["info", "warning"]


@dataclass(frozen=True)
class Word:
    """One line that is no stem's outcome: `project` is a name, or None where the daemon itself speaks."""

    says: str
    project: str | None = None
    level: Level = "info"


@dataclass(frozen=True)
class Voice:
    """Who hears what: `hear_news` of stems and `hear_take` of takes, with their project; `hear_word` all else."""

    hear_news: Callable[[Project, News], None]
    hear_word: Callable[[Word], None]
    hear_take: Callable[[Project, TakeOutcome], None] = lambda _project, _take: None
    _turn: Lock = field(default_factory=Lock, repr=False)

    def tell(self, project: Project, news: News) -> None:
        """Tell an outcome."""
        with self._turn:
            self.hear_news(project, news)

    def tell_take(self, project: Project, take: TakeOutcome) -> None:
        """Tell what was judged of a take."""
        with self._turn:
            self.hear_take(project, take)

    def say(self, says: str, project: Project | None = None, level: Level = "info") -> None:
        """Say a line."""
        with self._turn:
            self.hear_word(Word(says, project.name if project else None, level))
