"""What the page shows of a song, as plain data: all texts are chosen here, the page itself only lays them out. Pure."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from stager.judge import moved, no_advice_sentence
from stager.judge.channels import balance_words
from stager.judge.condition import has_no_pause
from stager.judge.louder import is_louder, louder_caution
from stager.judge.sentences import clock
from stager.judge.take_comparison import part_of
from stager.model import Finding, Levels, Outcome, Refused, Sidecar, Staged, Verdict
from stager.model.takes import RefusedTake, Take, TakeOutcome
from stager.system.printable import on_screen

MOST_BEFORE: Final = 10
"""Takes, and stems, that are listed under the newest."""

WORDS: Final = {
    Verdict.USABLE: "Usable",
    Verdict.LISTEN: "Listen",
    Verdict.PLAY_AGAIN: "Play again",
    Verdict.BOUNCE_AGAIN: "Bounce again",
}
MOST_NAMED: Final = 5
"""The most earlier takes that are named."""
NO_TAKES_FOLDER: Final = (
    'No folder of takes is set. To see each recording judged here as it ends, add a line like takes = "audio" under '
    "[project] in stager.toml, with the folder your recorder writes to."
)
NOT_JUDGED: Final = "Not judged"
NO_COPY: Final = "No copy"
REFUSED: Final = "refused"
MINUS: Final = "\N{MINUS SIGN}"


@dataclass(frozen=True)
class Shown:
    """A take or a stem on the page.

    `mark` is the verdict's code or "refused", `word` what stands for it; `figure` a signed number of dB and `label`
    what to do with it; `place` where to listen, in minutes and seconds; `at` an ISO 8601 time.
    """

    name: str
    mark: str
    word: str
    says: tuple[str, ...]
    figure: str | None = None
    label: str | None = None
    place: str | None = None
    at: str | None = None


def song_shown(
    name: str, takes: Sequence[TakeOutcome], outcomes: Sequence[Outcome], *, has_takes_folder: bool = True
) -> dict[str, Any]:
    """Return all that the page shows of a song: `takes` come oldest first, `outcomes` in any order.

    The newest take leads; without takes, the stem that was staged last. Its trim is no large figure: a large number
    is always what to do with the input.
    """
    shown_takes = [take_shown(take) for take in reversed(takes[-MOST_BEFORE - 1 :])]
    stems = [stem_shown(outcome) for outcome in sorted(outcomes, key=_newest_first, reverse=True)[: MOST_BEFORE + 1]]
    newest = [replace(shown, says=(*shown.says, *_usable_before(takes))) for shown in shown_takes[:1]]
    newest = newest or [replace(shown, figure=None, label=None) for shown in stems[:1]]
    takes_before = shown_takes[1:]
    stems_before = stems[:MOST_BEFORE] if shown_takes else stems[1:]
    return {
        "kind": "song",
        "name": on_screen(name),
        "newest": asdict(newest[0]) if newest else None,
        "newest_is": "take" if shown_takes else "stem",
        "takes": [asdict(take) for take in takes_before],
        "stems": [asdict(stem) for stem in stems_before],
        "hint": None if has_takes_folder else NO_TAKES_FOLDER,
        "caution": louder_caution(_sidecars(outcomes)),
        "caution_from": max((one.staged_at for one in _sidecars(outcomes) if is_louder(one)), default=None),
    }


def take_shown(take: TakeOutcome) -> Shown:
    """Return a take as the page shows it."""
    name = on_screen(take.take)
    if isinstance(take, RefusedTake):
        return Shown(name, REFUSED, NOT_JUDGED, (on_screen(take.says),), at=take.at)
    change = take.advice.clear_change_db if take.advice else None
    return Shown(
        name=name,
        mark=take.verdict.value,
        word=WORDS[take.verdict],
        says=_sentences(take),
        figure=None if change is None else signed(change, 0),
        label=None if change is None else _turn(change),
        place=place_of(take.findings, take.verdict),
        at=take.at,
    )


def stem_shown(outcome: Outcome) -> Shown:
    """Return a stem as the page shows it."""
    if isinstance(outcome, Refused):
        return Shown(on_screen(outcome.stem), REFUSED, NO_COPY, (on_screen(outcome.says),))
    sidecar = outcome.sidecar
    return Shown(
        name=on_screen(sidecar.stem),
        mark=sidecar.verdict.value,
        word=WORDS[sidecar.verdict],
        says=_once(
            (
                *_serious(sidecar.findings),
                on_screen(sidecar.trim.because),
                *_facts(sidecar.findings),
                *_balance(sidecar.levels),
            )
        ),
        figure=signed(sidecar.trim.gain_db, 1),
        label=moved(sidecar.trim.gain_db),
        place=place_of(sidecar.findings, sidecar.verdict),
        at=sidecar.staged_at,
    )


def place_of(findings: Sequence[Finding], verdict: Verdict) -> str | None:
    """Return where to listen: the worst place of the first finding that made the verdict; None where all is well."""
    if verdict is Verdict.USABLE:
        return None
    places = [finding.worst_at_s for finding in findings if finding.verdict is verdict]
    return next((clock(at_s) for at_s in places if at_s is not None), None)


def signed(change_db: float, places: int) -> str:
    """Return a change in dB as it is printed: with its sign, a true minus; no sign before zero."""
    text = f"{abs(change_db):.{places}f}"
    if float(text) == 0.0:
        return f"{text} dB"
    return f"{'+' if change_db > 0.0 else MINUS}{text} dB"


def _sidecars(outcomes: Sequence[Outcome]) -> list[Sidecar]:
    """Return the sidecars of the stems that have a copy."""
    return [one.sidecar for one in outcomes if isinstance(one, Staged)]


def _usable_before(takes: Sequence[TakeOutcome]) -> tuple[str, ...]:
    """Return which earlier takes of the newest one's part are usable, as a sentence; nothing where there is none."""
    *before, newest = takes
    part = part_of(newest.take)
    names = [one.take for one in before if isinstance(one, Take) and part_of(one.take) == part]
    usable = {one.take for one in before if isinstance(one, Take) and one.verdict is Verdict.USABLE}
    listed = [on_screen(name) for name in names if name in usable][-MOST_NAMED:]
    return (f"Usable takes of this part so far: {', '.join(listed)}.",) if listed else ()


def _newest_first(outcome: Outcome) -> tuple[bool, str]:
    """The sorting key: stems without a copy come first, they need attention."""
    return isinstance(outcome, Refused), outcome.sidecar.staged_at if isinstance(outcome, Staged) else outcome.stem


def _sentences(take: Take) -> tuple[str, ...]:
    advice = take.advice.says if take.advice else no_advice_sentence(take.levels)
    learned = "" if take.learned is None or take.learned in (advice or "") else take.learned
    says = (*_serious(take.findings), on_screen(advice or ""), on_screen(learned), *_facts(take.findings))
    is_noise_said = any(finding.code == "noise_raised" for finding in take.findings)
    return _once((*says, *_figures(take.levels, is_noise_said=is_noise_said)))


def _figures(levels: Levels, *, is_noise_said: bool) -> tuple[str, ...]:
    """Return the balance of the sides, and how far the noise lies under the part, in a sentence each where known.

    Where a finding said how far the noise lies under the part, it isn't said twice.
    """
    figures = [*_balance(levels)]
    if has_no_pause(levels):
        figures.append("Noise: no pause to judge it by.")
    if levels.average_dbfs is not None and levels.noise_floor_dbfs is not None and not is_noise_said:
        figures.append(f"Noise: {levels.average_dbfs - levels.noise_floor_dbfs:.0f} dB under the part.")
    return tuple(figures)


def _balance(levels: Levels) -> tuple[str, ...]:
    """Return how the sides of a stereo file compare, as a sentence; nothing for others."""
    balance = balance_words(levels.side_balance_db)
    return (f"Balance: {balance}.",) if balance else ()


def _once(sentences: Sequence[str]) -> tuple[str, ...]:
    """Return sentences in their order, each once, without empty ones."""
    return tuple(dict.fromkeys(filter(None, sentences)))


def _facts(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the sentences of the findings that are facts without a fault."""
    return tuple(on_screen(finding.says) for finding in findings if finding.verdict is Verdict.USABLE)


def _serious(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the sentences of the findings that ask for attention, the worst first."""
    worst_first = sorted(findings, key=lambda finding: -finding.verdict.severity)
    return tuple(on_screen(finding.says) for finding in worst_first if finding.verdict is not Verdict.USABLE)


def _turn(change_db: int) -> str:
    if change_db == 0:
        return "leave the input"
    return "turn the input up" if change_db > 0 else "turn the input down"
