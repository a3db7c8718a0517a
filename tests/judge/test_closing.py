"""The closing sentence of a run, and what is left between a target and a gain."""

from typing import Any

import pytest

from stager.judge.closing import closing_sentence, left_db
from stager.model import DecidedBy, Outcome, Refused, Staged
from tests.support.records import sidecar


def staged(**changes: Any) -> Staged:
    """Return a stem whose trim has these changes."""
    found = sidecar()
    return Staged(found.model_copy(update={"trim": found.trim.model_copy(update=changes)}))


LEFT = {
    "all given": ({"wanted_gain_db": 5.0, "gain_db": 5.0}, 0.0),
    "the ceiling": ({"wanted_gain_db": 5.0, "gain_db": 2.0}, 3.0),
    "lowered though its average is right": ({"wanted_gain_db": 0.0, "gain_db": -3.0}, 3.0),
    "the bus took 2 dB of all": ({"wanted_gain_db": 5.0, "gain_db": 3.0, "bus_offset_db": -2.0}, 0.0),
    "no level": ({"wanted_gain_db": None, "gain_db": 0.0}, 0.0),
}


@pytest.mark.parametrize(("changes", "left"), LEFT.values(), ids=LEFT.keys())
def test_what_is_left(changes: dict[str, Any], left: float) -> None:
    """Wanted less given, by hand; an offset of the bus is no limit of a stem."""
    assert left_db(staged(**changes).sidecar.trim) == left


def test_every_stem_is_counted_once() -> None:
    """Each limit has its words; less than a step is rounding."""
    outcomes: list[Outcome] = [
        staged(decided_by=DecidedBy.TARGET, wanted_gain_db=2.09, gain_db=2.0),
        staged(decided_by=DecidedBy.TOLERANCE, wanted_gain_db=0.0, gain_db=0.0),
        staged(decided_by=DecidedBy.LINK, wanted_gain_db=2.0, gain_db=2.0),
        staged(decided_by=DecidedBy.CEILING, wanted_gain_db=9.0, gain_db=2.0),
        staged(decided_by=DecidedBy.CEILING, wanted_gain_db=9.0, gain_db=1.0),
        staged(decided_by=DecidedBy.BOOST_LIMIT, wanted_gain_db=30.0, gain_db=18.0),
        staged(decided_by=DecidedBy.LINK, wanted_gain_db=9.0, gain_db=2.0),
        staged(decided_by=DecidedBy.SILENT, wanted_gain_db=None, gain_db=0.0),
        staged(decided_by=DecidedBy.LEAVE, wanted_gain_db=None, gain_db=0.0),
        Refused("b.wav", "bounces/b.wav", "truncated", "b.wav: cut"),
    ]
    assert closing_sentence(outcomes) == (
        "3 at their target, 2 stopped by the ceiling, 1 stopped by the largest boost, 1 held back by their link, "
        "1 left as they are, 1 silent, 1 refused."
    )
    assert closing_sentence([]) == ""
