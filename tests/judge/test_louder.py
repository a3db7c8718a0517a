"""The caution about louder copies. Its threshold is a figure of ours: no source."""

import pytest

from stager.judge.louder import is_louder, louder_caution
from stager.model import Sidecar
from tests.support.records import sidecar


def raised(stem: str, gain_db: float) -> Sidecar:
    """Return the sidecar of a stem with this trim."""
    return sidecar(stem=stem, trim=sidecar().trim.model_copy(update={"gain_db": gain_db}))


@pytest.mark.parametrize(("gain_db", "is_said"), [(6.0, False), (6.1, True), (-20.0, False)])
def test_louder_by_more_than_six(gain_db: float, is_said: bool) -> None:
    """A copy more than 6 dB louder than its original asks for the caution; exactly 6 dB is not more than 6."""
    assert is_louder(raised("a.wav", gain_db)) is is_said
    assert (louder_caution([raised("a.wav", gain_db)]) is not None) is is_said


def test_the_worst_is_named() -> None:
    """One sentence counts them, names the largest raise, and says what to do."""
    one, most, lowered = raised("a", 8.0), raised("b", 12.0), raised("c", -9.0)
    assert louder_caution([one, lowered]) == (
        "One copy is more than 6 dB louder than its original (a, +8.0 dB). "
        "Turn monitors and headphones down before you first play it."
    )
    assert louder_caution([one, lowered, most]) == (
        "2 copies are more than 6 dB louder than their originals (most of all b, +12.0 dB). "
        "Turn monitors and headphones down before you first play them."
    )
