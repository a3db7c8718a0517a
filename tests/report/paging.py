"""Records for tests of the page, and a reader of HTML that is not ours."""

from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from stager.judge import decide_trim
from stager.model import Outcome, Sidecar, Staged, Target, Verdict
from stager.project import Project
from stager.report.html import page_text
from stager.report.html_sources import UNCHECKED, Sources
from tests.support.records import levels, project, sidecar

NOTHING = Sources(None, UNCHECKED, (), {})
AT = "2026-01-02T03:04:05+00:00"


class Page(HTMLParser):
    """A parsed page: every element as (tag, attributes), the text outside style and script, and the links' targets."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.pieces: list[str] = []
        self.raw: dict[str, str] = {}
        self._inside = ""
        self.feed(text)
        self.text = " ".join(" ".join(self.pieces).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside = tag

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002 - the parser asks for it
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside in {"style", "script"}:
            self.raw[self._inside] = data
        else:
            self.pieces.append(data)

    def all(self, tag: str, cls: str = "") -> list[dict[str, str | None]]:
        """Return the attributes of every element with this tag and class."""
        named = [found for name, found in self.tags if name == tag]
        return [found for found in named if not cls or cls in (found.get("class") or "").split()]


def staged(stem: str, average: float | None = -20.0, peak: float = -8.0, **changes: Any) -> Sidecar:
    """A sidecar of a stem with these levels, with the trim that they ask for; usable but for the changes."""
    target = changes.pop("target", Target())
    found = levels(average_dbfs=average, true_peak_dbtp=peak, sample_peak_dbfs=peak)
    trim = decide_trim(found, target, lambda gain: (average or 0.0) + gain)
    base = sidecar()
    assert base.copy_ is not None
    after = None if average is None else average + trim.gain_db
    made = base.copy_.model_copy(
        update={"path": f"staged/{stem}", "average_dbfs": after, "true_peak_dbtp": peak + trim.gain_db}
    )
    known = {"stem": stem, "levels": found, "trim": trim, "copy": made, "findings": (), "verdict": Verdict.USABLE}
    return sidecar(**{**known, "advice": None, **changes})


def page_of(
    folder: Path, outcomes: Sequence[Outcome | Sidecar], sources: Sources = NOTHING, toml: str = "", at: str = AT
) -> str:
    """The page of a project with these outcomes."""
    song: Project = project(folder, toml or '[project]\nname = "Salt Road"\n')
    told = [Staged(each) if isinstance(each, Sidecar) else each for each in outcomes]
    return page_text(song, told, sources, at)
