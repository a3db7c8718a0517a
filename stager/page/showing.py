"""What the page shows of a song, as plain data: every word is chosen here, the page itself only lays it out. Pure."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from stager.judge import moved, no_advice_sentence
from stager.judge.places import clock
from stager.model import Finding, Outcome, Refused, Sidecar, Staged, Verdict
from stager.model.take import RefusedTake, Take, TakeOutcome
from stager.names import on_screen

MOST_BEFORE: Final = 10
"""Takes, and stems, that are listed under the newest."""
LOUDER_DB: Final = 6.0
"""A copy that is louder than its original by more than this asks for the caution."""
WORDS: Final = {Verdict.USABLE: "Usable", Verdict.LISTEN: "Listen", Verdict.PLAY_AGAIN: "Play again"}
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


def song_shown(name: str, takes: Sequence[TakeOutcome], outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Give all that the page shows of a song: `takes` come oldest first, `outcomes` in any order.

    The newest take leads; without takes, the stem that was staged last.
    """
    shown_takes = [take_shown(take) for take in reversed(takes[-MOST_BEFORE - 1 :])]
    stems = [stem_shown(outcome) for outcome in sorted(outcomes, key=_newest_first, reverse=True)[: MOST_BEFORE + 1]]
    newest = (shown_takes or stems)[:1]
    takes_before = shown_takes[1:]
    stems_before = stems[:MOST_BEFORE] if shown_takes else stems[1:]
    return {
        "kind": "song",
        "name": on_screen(name),
        "newest": asdict(newest[0]) if newest else None,
        "newest_is": "take" if shown_takes else "stem",
        "takes": [asdict(take) for take in takes_before],
        "stems": [asdict(stem) for stem in stems_before],
        "caution": caution(outcomes),
    }


def take_shown(take: TakeOutcome) -> Shown:
    """Give a take as the page shows it."""
    name = on_screen(take.take)
    if isinstance(take, RefusedTake):
        return Shown(name, REFUSED, NOT_JUDGED, (on_screen(take.says),), at=take.at)
    change = take.advice.input_change_db if take.advice else None
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
    """Give a stem as the page shows it."""
    if isinstance(outcome, Refused):
        return Shown(on_screen(outcome.stem), REFUSED, NO_COPY, (on_screen(outcome.says),))
    sidecar = outcome.sidecar
    return Shown(
        name=on_screen(sidecar.stem),
        mark=sidecar.verdict.value,
        word=WORDS[sidecar.verdict],
        says=(*_serious(sidecar.findings), on_screen(sidecar.trim.because)),
        figure=signed(sidecar.trim.gain_db, 1),
        label=moved(sidecar.trim.gain_db),
        place=place_of(sidecar.findings, sidecar.verdict),
        at=sidecar.staged_at,
    )


def place_of(findings: Sequence[Finding], verdict: Verdict) -> str | None:
    """Give the place to listen to, of the first finding that made the verdict and has one; None where all is well."""
    if verdict is Verdict.USABLE:
        return None
    places = [finding.worst_at_s for finding in findings if finding.verdict is verdict]
    return next((clock(at_s) for at_s in places if at_s is not None), None)


def signed(change_db: float, places: int) -> str:
    """Give a change in dB with its sign, as it is printed: a true minus, and none before nothing."""
    text = f"{abs(change_db):.{places}f}"
    if float(text) == 0.0:
        return f"{text} dB"
    return f"{'+' if change_db > 0.0 else MINUS}{text} dB"


def caution(outcomes: Sequence[Outcome]) -> str | None:
    """Give the caution where a copy is much louder than its original, else None."""
    count = sum(isinstance(outcome, Staged) and _is_louder(outcome.sidecar) for outcome in outcomes)
    if not count:
        return None
    what = "One copy is" if count == 1 else f"{count} copies are"
    whose, them = ("its original", "it") if count == 1 else ("their originals", "them")
    return (
        f"{what} more than {LOUDER_DB:g} dB louder than {whose}. "
        f"Turn monitors and headphones down before you first play {them}."
    )


def _is_louder(sidecar: Sidecar) -> bool:
    return sidecar.trim.gain_db > LOUDER_DB


def _newest_first(outcome: Outcome) -> tuple[bool, str]:
    """Stems without a copy come first: they wait for somebody."""
    return isinstance(outcome, Refused), outcome.sidecar.staged_at if isinstance(outcome, Staged) else outcome.stem


def _sentences(take: Take) -> tuple[str, ...]:
    advice = take.advice.says if take.advice else no_advice_sentence(take.levels)
    return (*_serious(take.findings), *([on_screen(advice)] if advice else ()))


def _serious(findings: Sequence[Finding]) -> tuple[str, ...]:
    """What findings say that are more than facts, the worst first."""
    worst_first = sorted(findings, key=lambda finding: -finding.verdict.severity)
    return tuple(on_screen(finding.says) for finding in worst_first if finding.verdict is not Verdict.USABLE)


def _turn(change_db: int) -> str:
    if change_db == 0:
        return "leave the input"
    return "turn the input up" if change_db > 0 else "turn the input down"
