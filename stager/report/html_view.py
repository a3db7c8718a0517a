"""The words and coordinates of the page before any markup; the template only lays them out. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from stager.judge.sentences import exact_clock
from stager.judge.set_formats import depth_words
from stager.model import Finding, Outcome, Refused, Sidecar, Staged, Target, Verdict
from stager.model.bus import Pairs
from stager.report.html_links import Links
from stager.report.html_pictures import Axis, Place, axis_for, columns_of, lanes, places, tallest
from stager.report.html_sources import Overview
from stager.report.notes import CHANNEL_WORDS
from stager.report.terminal import exact_gain, figure
from stager.units import db_from_linear

WORDS: Final = {Verdict.USABLE: "usable", Verdict.LISTEN: "listen", Verdict.PLAY_AGAIN: "play again"}
MOST_UNFOLDED: Final = 12
"""Stems up to which all are shown unfolded; of more only those to listen to (own figure: some screens of a phone)."""
REFUSED_WORD: Final = "refused"
FIGURES: Final[dict[str, tuple[str, str]]] = {
    "average": ("average", "dBFS"),
    "loudness": ("loudness", "LUFS"),
    "vu": ("VU", "dBFS"),
    "peak": ("sample peak", "dBFS"),
    "leave": ("average", "dBFS"),
}
"""What each of our rules brings to its target, and the unit; for a plug-in's rule the average is shown."""


@dataclass(frozen=True)
class LevelMarks:
    """The positions of a stem's levels on the axis, in percent; None where there is none. `says` has them in words."""

    before: float | None
    after: float | None
    target: float | None
    band: tuple[float, float] | None
    peak_before: float | None
    peak_after: float | None
    ceiling: float
    says: str


@dataclass(frozen=True)
class Wave:
    """A picture of a stem or of the bus: an outline for each lane, `columns` wide, and its height in words."""

    lanes: tuple[str, ...]
    columns: int
    says: str


@dataclass(frozen=True)
class FindingView:
    """A finding: its verdict's word, its sentence, its places, and how many of them are listed where not all are."""

    verdict: str
    word: str
    says: str
    places: tuple[Place, ...]
    listed: str


@dataclass(frozen=True)
class StemView:
    """One stem as the page shows it; `number` identifies it inside the page.

    `away_db` is how far from its target the copy is, beyond the tolerance; `is_open` where the page shows it unfolded.
    The links lead from the page to the files, empty where a name can't be one.
    """

    number: int
    name: str
    verdict: str
    word: str
    facts: tuple[str, ...]
    because: str
    trim: str
    restore: str
    levels: LevelMarks
    away_db: float
    is_open: bool
    original_href: str
    copy_href: str
    wave: Wave | None
    findings: tuple[FindingView, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class RefusedView:
    """A stem without a copy of its last bounce."""

    name: str
    code: str
    says: str


def staged_of(outcomes: Iterable[Outcome]) -> list[Sidecar]:
    """Return the sidecars of staged stems by verdict, worst first, then by distance from the target, then by name."""
    found = [outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged)]
    return sorted(found, key=lambda sidecar: (-sidecar.verdict.severity, -away_db(sidecar), sidecar.stem))


def refused_of(outcomes: Iterable[Outcome]) -> list[RefusedView]:
    """Return the refused stems by name."""
    refused = sorted((o for o in outcomes if isinstance(o, Refused)), key=lambda outcome: outcome.stem)
    return [RefusedView(each.stem, each.refused, each.says) for each in refused]


def axis_of(sidecars: Iterable[Sidecar]) -> Axis:
    """Return the axis that holds the levels of all these stems."""
    return axis_for(level for sidecar in sidecars for level in _levels(sidecar) if level is not None)


def stem_views(
    sidecars: Sequence[Sidecar], overviews: Mapping[str, Overview], axis: Axis, links: Links
) -> list[StemView]:
    """Return the view of each stem, in this order; all waveforms have one scale."""
    shown = [overviews[each.stem].channels for each in sidecars if each.stem in overviews]
    full_linear = max(map(tallest, shown), default=0.0)
    unfold = len(sidecars) <= MOST_UNFOLDED
    return [
        stem_view(number, each, overviews.get(each.stem), axis, links, full_linear, unfold=unfold)
        for number, each in enumerate(sidecars, 1)
    ]


def away_db(sidecar: Sidecar) -> float:
    """Return how far a copy is from its target beyond the tolerance; 0 where there is no target or no level."""
    after, target = _figures(sidecar)[1], sidecar.trim.target
    if after is None or not _aims(target):
        return 0.0
    return max(0.0, round(abs(after - target.level_db) - target.tolerance_db, 1))


def stem_view(
    number: int,
    sidecar: Sidecar,
    overview: Overview | None,
    axis: Axis,
    links: Links,
    full_linear: float,
    *,
    unfold: bool,
) -> StemView:
    """Return the view of one stem."""
    trim = sidecar.trim
    return StemView(
        number=number,
        name=sidecar.stem,
        verdict=sidecar.verdict.value,
        word=WORDS[sidecar.verdict],
        facts=_facts(sidecar),
        because=trim.because,
        trim=exact_gain(trim.gain_db),
        restore=exact_gain(trim.restore_fader_db),
        levels=_marks(sidecar, axis),
        away_db=away_db(sidecar),
        is_open=unfold or sidecar.verdict is not Verdict.USABLE,
        original_href=links.to(sidecar.source.path),
        copy_href=links.to(sidecar.copy_.path) if sidecar.copy_ else "",
        wave=wave_of(overview.channels, full_linear) if overview else None,
        findings=_finding_views(sidecar.findings, sidecar.source.duration_s),
        notes=_notes(sidecar),
    )


def wave_of(channels: Sequence[Pairs], full_linear: float | None = None) -> Wave | None:
    """Return the picture of an overview, as tall as its largest sample or as `full_linear`; None where it is empty."""
    if not channels or not channels[0]:
        return None
    largest = tallest(channels)
    level = db_from_linear(largest)
    says = f"highest sample {figure(level)} dBFS" if level is not None else "nothing but silence"
    return Wave(lanes(channels, full_linear or largest), columns_of(channels[0]), says)


def verdict_word(verdict: Verdict) -> str:
    """Return the word before a sentence."""
    return "to know" if verdict is Verdict.USABLE else WORDS[verdict]


def count_words(count: int, one: str, many: str) -> str:
    """Return a number with its noun."""
    return f"{count} {one if count == 1 else many}"


def _figures(sidecar: Sidecar) -> tuple[float | None, float | None]:
    """Return the figure that the rule works on, before and after; measured on the copy where its sidecar has it."""
    levels, trim, made = sidecar.levels, sidecar.trim, sidecar.copy_
    if trim.target.rule in {"average", "leave"} or trim.target.rule not in FIGURES:
        return levels.average_dbfs, made.average_dbfs if made else trim.predicted_average_dbfs
    if trim.target.rule == "peak":
        return levels.sample_peak_dbfs, made.sample_peak_dbfs if made else None
    measured = trim.measured_db
    return measured, None if measured is None else measured + trim.gain_db


def _aims(target: Target) -> bool:
    """Return whether there is a target level: not under `leave`, nor where a plug-in's rule decides."""
    return target.rule in FIGURES and target.rule != "leave"


def _peaks(sidecar: Sidecar) -> tuple[float | None, float | None]:
    made = sidecar.copy_
    return sidecar.levels.true_peak_dbtp, made.true_peak_dbtp if made else sidecar.trim.predicted_true_peak_dbtp


def _levels(sidecar: Sidecar) -> tuple[float | None, ...]:
    target = sidecar.trim.target
    aims = (target.level_db - target.tolerance_db, target.level_db + target.tolerance_db) if _aims(target) else ()
    return (*_figures(sidecar), *_peaks(sidecar), *aims, target.ceiling_dbtp)


def _marks(sidecar: Sidecar, axis: Axis) -> LevelMarks:
    target = sidecar.trim.target
    low, high = (axis.at(target.level_db + side * target.tolerance_db) for side in (-1.0, 1.0))
    aims = _aims(target)
    before, after, peak_before, peak_after = (
        None if level is None else axis.at(level) for level in (*_figures(sidecar), *_peaks(sidecar))
    )
    return LevelMarks(
        before=before,
        after=after,
        target=axis.at(target.level_db) if aims else None,
        band=(low, round(high - low, 2)) if aims else None,
        peak_before=peak_before,
        peak_after=peak_after,
        ceiling=axis.at(target.ceiling_dbtp),
        says=_levels_say(sidecar),
    )


def _levels_say(sidecar: Sidecar) -> str:
    target = sidecar.trim.target
    name, unit = FIGURES.get(target.rule, FIGURES["average"])
    by_rule = f"target {target.level_db:g}, give or take {target.tolerance_db:g}"
    aim = by_rule if _aims(target) else "no target" if target.rule == "leave" else f'by the rule "{target.rule}"'
    return (
        f"{name[0].upper()}{name[1:]} {_from_to(*_figures(sidecar), unit)}; {aim}. "
        f"True peak {_from_to(*_peaks(sidecar), 'dBTP')}; ceiling {target.ceiling_dbtp:g}."
    )


def _from_to(before: float | None, after: float | None, unit: str) -> str:
    if before is None:
        return "too low to measure"
    return f"{figure(before)} before, {figure(after)} {unit} after"


def _facts(sidecar: Sidecar) -> tuple[str, ...]:
    source, trim = sidecar.source, sidecar.trim
    return (
        *([trim.role] if trim.role else []),
        *([f'linked in "{trim.link}"'] if trim.link else []),
        CHANNEL_WORDS.get(source.channels, f"{source.channels} channels"),
        f"{source.sample_rate_hz / 1000:g} kHz",
        depth_words(source.encoding, 8 * source.encoding.sample_bytes),
        exact_clock(source.duration_s),
        *([f"bounce {sidecar.version}"] if sidecar.version > 1 else []),
    )


def _notes(sidecar: Sidecar) -> tuple[str, ...]:
    made = sidecar.copy_
    advice = [f"Next time: {sidecar.advice.says}"] if sidecar.advice else []
    if made is None:
        return tuple(advice)
    same = f"/{made.path}".endswith(f"/{sidecar.stem}")
    renamed = [] if same else [f"The copy is called {made.path}."]
    return (*advice, *renamed, *(f"Not carried into the copy: {what}" for what in made.not_carried))


def _listed(finding: Finding) -> str:
    """Return a note where there are more places than the sidecar lists: the first ones and the worst."""
    if not finding.at_s or finding.count <= len(finding.at_s):
        return ""
    return f"the first {len(finding.at_s)} of {finding.count} places, and the worst"


def _finding_views(findings: Sequence[Finding], duration_s: float) -> tuple[FindingView, ...]:
    views: list[FindingView] = []
    number = 1
    for finding in sorted(findings, key=lambda finding: -finding.verdict.severity):
        found = places(finding, duration_s, number)
        number += len(found)
        views.append(
            FindingView(finding.verdict.value, verdict_word(finding.verdict), finding.says, found, _listed(finding))
        )
    return tuple(views)
