"""Whether the files of a set agree: sample rate, depth, start, length, and unused bits. Pure.

What a set should have in common is common practice among studios that publish how they want files delivered: the rate
and depth of the recording, and one sample-accurate start for every file; a common end is welcome, not needed.
"""

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from stager.judge.candidates import CandidateFinding
from stager.judge.sentences import counted, exact_clock, listed
from stager.model import Encoding, Finding, StreamInfo, Verdict
from stager.model.handover import StemFacts

FEWEST_PADDED_BITS: Final = 4
"""Unused bits from which a file is padded: converters have 16, 20 or 24 bits (own figure)."""
FEWEST_USED_BITS: Final = 8
"""Bits in use under which a file counts as made by a machine, such as a click of one height, and not as converted
(own figure)."""
START_ADVICE: Final = " Line them up by their stamps, or export all from one start."
FLOAT_BITS: Final = {Encoding.FLOAT: 24, Encoding.DOUBLE: 53}
"""Bits of precision of the float encodings (IEEE 754)."""


@dataclass(frozen=True)
class _Split:
    """Stems by one property: how many values it has, one stem with that of most, and those with another.

    Where no value is that of at least half, and of more than any other, `common` is None and all are `others`.
    """

    values: int
    count: int
    common: StemFacts | None
    others: tuple[StemFacts, ...]


def rate_differs(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems at another sample rate than most; all of them where no rate is that of most."""
    split = _split(facts, _rate_label)
    says = _Sentence(split, _rate_label, "not at {}", "at {} sample rates", " Export all at one rate.")
    each = {"sample_rate_hz": lambda stem: float(stem.sample_rate_hz)}
    return (
        [CandidateFinding("rate_differs", Verdict.LISTEN, split.others, says, measured=says.common(), each=each)]
        if split.others
        else []
    )


def depth_differs(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems stored in another depth than most, integers and floats apart; all where none is that of most."""
    split = _split(facts, depth_label)
    says = _Sentence(split, depth_label, "not in {}", "in {} depths", " Export all in one depth.")
    each = {"bits": lambda stem: float(stem.valid_bits or 8 * stem.encoding.sample_bytes)}
    return (
        [CandidateFinding("depth_differs", Verdict.LISTEN, split.others, says, measured=says.common(), each=each)]
        if split.others
        else []
    )


def start_differs(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems with another time stamp than most; those without one are left out.

    `at_s` counts from the earliest stamp.
    """
    starts = {stem.stem: start for stem in facts if (start := stem.start_s) is not None}
    stamped = [stem for stem in facts if stem.stem in starts]
    same = _same_moments(starts.values(), stamped)
    split = _split(stamped, lambda stem: same[starts[stem.stem]])

    first = min(starts.values(), default=Fraction(0))
    usual = starts[split.common.stem] if split.common else first

    def at_s(stem: StemFacts) -> float:
        return float(starts[stem.stem] - first)

    def label(stem: StemFacts) -> str:
        away = starts[stem.stem] - usual
        return f"{'-' if away < 0 else '+'}{exact_clock(abs(float(away)))}"

    says = _Sentence(split, label, "with another time stamp than the rest", "with {} time stamps", START_ADVICE)
    return [CandidateFinding("start_differs", Verdict.LISTEN, split.others, says, at_s)] if split.others else []


def length_differs(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems of another length than most: a fact, since a part may end before the song does."""
    same = _same_moments((stem.length_s for stem in facts), facts)
    split = _split(facts, lambda stem: same[stem.length_s])
    says = _Sentence(split, length_label, "not {} long", "of {} lengths", "")
    each = {"length_s": lambda stem: float(stem.length_s)}
    return (
        [CandidateFinding("length_differs", Verdict.USABLE, split.others, says, measured=says.common(), each=each)]
        if split.others
        else []
    )


def padded_bits(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems whose lowest bits are never used, as in 16-bit audio in a 24-bit file: a fact."""
    stems = [stem for stem in facts if is_padded(stem.encoding, stem.valid_bits, stem.used_bits)]

    def says(stems: Sequence[StemFacts]) -> str:
        labels = [f"{stem.stem} ({stem.used_bits} bits in {depth_label(stem)})" for stem in stems]
        return f"{counted(len(stems), 'stem')} with fewer bits than the file holds: {listed(labels)}."

    each = {"used_bits": lambda stem: float(stem.used_bits or 0)}
    return [CandidateFinding("padded_bits", Verdict.USABLE, stems, says, each=each)] if stems else []


def is_padded(encoding: Encoding, valid_bits: int, used_bits: int | None) -> bool:
    """Return whether a file of this encoding, with this many bits in use, is padded."""
    bits = FLOAT_BITS.get(encoding, valid_bits)
    return used_bits is not None and FEWEST_USED_BITS <= used_bits <= bits - FEWEST_PADDED_BITS


def padded_stem(info: StreamInfo, used_bits: int | None) -> list[Finding]:
    """Return the finding that one stem is padded; `measured` keeps `used_bits` for the set."""
    if used_bits is None or not is_padded(info.encoding, info.valid_bits, used_bits):
        return []
    file = depth_words(info.encoding, info.valid_bits)
    says = f"Holds {used_bits} bits in a {file} file: nothing is lost, nothing gained."
    return [Finding(code="padded_bits", verdict=Verdict.USABLE, measured={"used_bits": float(used_bits)}, says=says)]


def depth_label(stem: StemFacts) -> str:
    """Return how a stem's samples are stored: 24-bit, 32-bit float."""
    return depth_words(stem.encoding, stem.valid_bits)


def depth_words(encoding: Encoding, valid_bits: int) -> str:
    """Return the words for an encoding: 24-bit, 32-bit float."""
    return f"{valid_bits}-bit" if encoding.is_integer else f"{8 * encoding.sample_bytes}-bit float"


def length_label(stem: StemFacts) -> str:
    """Return a stem's length in minutes and seconds."""
    return exact_clock(float(stem.length_s))


def _rate_label(stem: StemFacts) -> str:
    return f"{stem.sample_rate_hz / 1000:g} kHz"


@dataclass(frozen=True)
class _Sentence:
    """The sentence that says which stems differ from most, or that no value is that of most."""

    split: _Split
    label: Callable[[StemFacts], str]
    differs: str
    scattered: str
    advice: str

    def common(self) -> dict[str, float | str]:
        """Return the value that most stems have, for `measured`; empty where there is none."""
        return {"common": self.label(self.split.common)} if self.split.common else {}

    def __call__(self, stems: Sequence[StemFacts]) -> str:
        """Return the sentence about these stems."""
        each = listed([f"{stem.stem} ({self.label(stem)})" for stem in stems])
        if self.split.common is None:
            return f"{counted(len(stems), 'stem')} {self.scattered.format(self.split.values)}: {each}.{self.advice}"
        what = self.differs.format(self.label(self.split.common))
        return f"{len(stems)} of {self.split.count} stems {what}: {each}.{self.advice}"


def _split(facts: Sequence[StemFacts], value: Callable[[StemFacts], Hashable]) -> _Split:
    counts = Counter(map(value, facts)).most_common()
    if len(counts) < 2:
        return _Split(len(counts), len(facts), None, ())
    if counts[0][1] == counts[1][1] or 2 * counts[0][1] < len(facts):
        return _Split(len(counts), len(facts), None, tuple(facts))
    common = next(stem for stem in facts if value(stem) == counts[0][0])
    return _Split(len(counts), len(facts), common, tuple(stem for stem in facts if value(stem) != counts[0][0]))


def _same_moments(moments: Iterable[Fraction], facts: Sequence[StemFacts]) -> dict[Fraction, Fraction]:
    """Return, for each moment in s, the earliest that counts as the same: at mixed rates, within one frame."""
    rates = {stem.sample_rate_hz for stem in facts}
    grace = Fraction(1, min(rates)) if len(rates) > 1 else Fraction(0)
    same: dict[Fraction, Fraction] = {}
    for moment in sorted(set(moments)):
        last = same[max(same)] if same else moment
        same[moment] = last if moment - last <= grace else moment
    return same
