"""`report.html`: one self-contained page for a song. Pure: records in, text out; the template is the only markup.

Every name is escaped by the template engine, and the page's own policy lets nothing run or load but the style and the
script that it carries, which are named by their hashes. Source: W3C, Content Security Policy Level 3, clause 6.7.3
(hashes of inline style and script).
"""

import os
from base64 import b64encode
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, StrictUndefined

from stager.judge import first_lines
from stager.judge.louder import SAFE_LISTENING, fader_caution, louder_caution
from stager.judge.sentences import exact_clock
from stager.model import Outcome, Sidecar, Verdict
from stager.model.check import SetReport
from stager.model.pairs import Kinship
from stager.model.takes import Take, TakeOutcome
from stager.project import Project
from stager.report.html_bus import BusView, bus_view
from stager.report.html_links import Links
from stager.report.html_sources import Sources
from stager.report.html_view import (
    REFUSED_WORD,
    WORDS,
    axis_of,
    refused_of,
    staged_of,
    stem_views,
    verdict_word,
)
from stager.report.terminal import convention, taken_out_sentence
from stager.system.printable import on_screen
from stager.system.version import VERSION

HTML_NAME: Final = "report.html"
MOST_TAKES: Final = 10
FIRST_CODES: Final = frozenset({"double_is_copy", "rate_differs", "start_differs", "same_peak_everywhere"})
"""Findings of the set that belong among what to look at first."""
NO_PICTURE: Final = "The check kept no picture of the bus over time."


@dataclass(frozen=True)
class TakeView:
    """A take's line: its verdict's word, the change of the input, and what there is to know."""

    name: str
    word: str
    verdict: str
    change: str
    says: tuple[str, ...]


@dataclass(frozen=True)
class SetLine:
    """A sentence about the set, with lines to copy into the project file where it has any."""

    verdict: str
    word: str
    says: str
    to_copy: tuple[str, ...]
    is_first: bool = False


def page_text(project: Project, outcomes: Sequence[Outcome], sources: Sources, written_at: str) -> str:
    """Return the page; equal records make equal pages, but for `written_at`."""
    sidecars = staged_of(outcomes)
    axis = axis_of(sidecars)
    links = Links(os.path.relpath(project.folder, project.outbox).replace(os.sep, "/"))
    stems = stem_views(sidecars, sources.overviews, axis, links)
    bus = bus_view(sources.check.bus) if sources.check and sources.check.bus else None
    about = project.settings.project
    return _TEMPLATE.render(
        style=_STYLE,
        script=_SCRIPT,
        policy=policy(),
        song=project.name,
        about=[*([f"{about.tempo_bpm:g} bpm"] if about.tempo_bpm else []), *([about.key] if about.key else [])],
        song_notes=about.notes.strip().splitlines(),
        counts=_counts(sidecars, len(refused := refused_of(outcomes))),
        refused=refused,
        caution=caution(sidecars),
        bus=bus,
        check=sources.check,
        check_says=sources.check_says,
        no_picture=NO_PICTURE,
        set_lines=set_lines(sources.check),
        balance=sources.check.balance.says if sources.check and sources.check.balance else _faders_up(sidecars),
        planned=sources.check.planned.says if sources.check and sources.check.planned else "",
        rough=sources.check.rough.says if sources.check and sources.check.rough else "",
        axis=axis,
        stems=stems,
        first=[stem for stem in stems if stem.verdict != Verdict.USABLE.value and stem.findings],
        taken_out=[taken_out_sentence(each.stem, each.copy) for each in sources.taken_out],
        first_set=[line for line in set_lines(sources.check) if line.is_first],
        takes=[take_view(take) for take in sources.takes[:MOST_TAKES]],
        conventions=conventions(sidecars, bus),
        versions=_versions(sidecars),
        written_at=written_at,
    )


def policy() -> str:
    """Return the page's content security policy: nothing but its own style and script."""
    return (
        f"default-src 'none'; style-src '{_hash(_STYLE)}'; script-src '{_hash(_SCRIPT)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def caution(sidecars: Sequence[Sidecar]) -> str:
    """Return the sentence that says to turn monitors down, where a copy is much louder than its original; else ""."""
    text = louder_caution(sidecars)
    return f"{text} {SAFE_LISTENING}" if text else ""


def _faders_up(sidecars: Sequence[Sidecar]) -> str:
    return fader_caution(max((each.trim.restore_fader_db for each in sidecars), default=0.0)) or ""


def take_view(take: TakeOutcome) -> TakeView:
    """Return the line of a take."""
    if not isinstance(take, Take):
        return TakeView(take.take, "can't be judged", "refused", "", (take.says,))
    serious = [finding.says for finding in take.findings if finding.verdict is not Verdict.USABLE]
    change = take.advice.clear_change_db if take.advice else None
    return TakeView(
        name=take.take,
        word=WORDS[take.verdict],
        verdict=take.verdict.value,
        change="" if change is None else f"{change:+d} dB" if change else "leave it",
        says=(*serious, *([take.advice.says] if take.advice else [])),
    )


def conventions(sidecars: Sequence[Sidecar], bus: BusView | None) -> tuple[str, ...]:
    """Return what each kind of number on the page means; only the kinds that are there."""
    references = sorted({sidecar.levels.average_reference for sidecar in sidecars})
    rules = {sidecar.trim.target.rule for sidecar in sidecars}
    lines = (
        f"Average: RMS while the part plays, in dBFS ({'; '.join(map(convention, references))})." if references else "",
        "True peak: of the wave between the samples, in dBTP (ITU-R BS.1770, Annex 2)." if sidecars or bus else "",
        "Loudness: integrated, in LUFS (ITU-R BS.1770)." if "loudness" in rules or bus else "",
        "VU: the mean reading of an IEC 60268-17 needle while the part plays, in dBFS of a sine."
        if "vu" in rules
        else "",
        "Sample peak: the largest sample, in dBFS." if "peak" in rules else "",
        "Trim: the one constant gain in dB between original and copy. The fader that takes it back is its negative."
        if sidecars
        else "",
        "Places in time count from the beginning of the file, in minutes and seconds." if sidecars or bus else "",
    )
    return tuple(filter(None, lines))


def _counts(sidecars: Sequence[Sidecar], refused: int) -> list[tuple[str, int]]:
    """Return how many stems have which verdict, in the words of the page, best first."""
    found = Counter(sidecar.verdict for sidecar in sidecars)
    return [*((word, found[verdict]) for verdict, word in WORDS.items()), (REFUSED_WORD, refused)]


def set_lines(check: SetReport | None) -> list[SetLine]:
    """Return the sentences about the set: findings, worst first, then doubles and proposed links; each once."""
    if check is None:
        return []
    apart = [double for double in check.doubles if double.kind is not Kinship.COPY]
    facts = [*(double.says for double in apart), *(link.says for link in check.links_proposed)]
    known = {finding.says for finding in check.findings}
    lines = [*first_lines(check.findings), *((Verdict.USABLE, says) for says in facts if says not in known)]
    first = {each.says for each in check.findings if each.code in FIRST_CODES and each.verdict is not Verdict.USABLE}
    return [SetLine(verdict.value, verdict_word(verdict), *_split(says), says in first) for verdict, says in lines]


def _split(says: str) -> tuple[str, tuple[str, ...]]:
    """Return a sentence, and the lines under it for the project file."""
    first, *rest = says.splitlines()
    return first, tuple(rest)


def _versions(sidecars: Sequence[Sidecar]) -> str:
    made = sorted({sidecar.stager.version for sidecar in sidecars} - {VERSION})
    return f"stager {VERSION}{f'; some copies were made by {chr(44).join(made)}' if made else ''}"


def _hash(text: str) -> str:
    return f"sha256-{b64encode(sha256(text.encode()).digest()).decode()}"


def _printable(value: Any) -> Any:  # noqa: ANN401 - whatever the template prints
    r"""Return what the template prints with each control character as `\xNN`."""
    if isinstance(value, str) and not hasattr(value, "__html__") and not value.isprintable():
        return on_screen(value)
    return value


def _file(name: str) -> str:
    return Path(__file__).with_name(name).read_text("utf-8")


def _environment() -> Environment:
    made = Environment(
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        finalize=_printable,
        keep_trailing_newline=True,
    )
    made.filters["clock"] = exact_clock
    return made


_STYLE: Final = _file("report.css")
_SCRIPT: Final = _file("report.js")
_TEMPLATE: Final = _environment().from_string(_file("report.html.jinja"))
