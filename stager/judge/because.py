"""Renders the reasons of a trim as sentences; nothing else does. Pure."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from stager.model import Reason, ReasonCode, Target, TrimDecision


def rendered(reasons: Sequence[Reason]) -> str:
    """Return the sentences of these reasons, in order."""
    return " ".join(_SENTENCES[reason.code](**reason.values) for reason in reasons)


def with_reasons(trim: TrimDecision, *reasons: Reason, **changes: object) -> TrimDecision:
    """Return a decision with more reasons behind those that it has, and with other fields changed."""
    given = (*trim.reasons, *reasons)
    return trim.model_copy(update={**changes, "reasons": given, "because": rendered(given)})


def moved(gain_db: float) -> str:
    """Return in words what a trim does: raised, lowered, or left as it is."""
    if gain_db == 0.0:
        return "Left as it is"
    return f"{'Raised' if gain_db > 0.0 else 'Lowered'} {abs(gain_db):g} dB"


def figure_name(target: Target) -> str:
    """Return the name of the level that a target asks for, with its unit and reference."""
    level = f"{target.level_db:g}"
    return {
        "average": f"average of {level} dBFS RMS ({'AES17' if target.reference == 'sine' else 'square = 0'})",
        "loudness": f"loudness of {level} LUFS",
        "vu": f"VU reading of {level} dBFS (of a sine)",
        "peak": f"sample peak of {level} dBFS",
        "leave": f"{level} dBFS",
    }[target.rule]


def _tolerance(off_db: float, level: str, tolerance_db: float) -> str:
    side = "above" if off_db > 0.0 else "under"
    return f"Left as it is: {abs(off_db):.1f} dB {side} the {level}, inside the tolerance of {tolerance_db:g} dB."


def _target(gain_db: float, wanted_db: float, measured_db: float, level: str, level_db: float, step_db: float) -> str:
    return f"{moved(gain_db)}: {_goes(measured_db, level, level_db, gain_db - wanted_db, step_db)}."


def _ceiling(gain_db: float, wanted_db: float, ceiling_dbtp: float, true_peak_dbtp: float) -> str:
    stop = f"{_ceiling_stop(wanted_db, ceiling_dbtp)}: {_peak_goes(true_peak_dbtp, gain_db)}"
    return f"{moved(gain_db)}; the target asked for {wanted_db:+.1f} dB, {stop}."


def _boost_limit(gain_db: float, wanted_db: float, boost_db: float) -> str:
    return f"{moved(gain_db)}; the target asked for {wanted_db:+.1f} dB, {_boost_stop(boost_db)}."


def _link_tolerance(link: str, loudest: str, off_db: float, level: str, tolerance_db: float) -> str:
    side = "above" if off_db > 0.0 else "under"
    off = f"{abs(off_db):.1f} dB {side} the {level}"
    tolerance = f"inside the tolerance of {tolerance_db:g} dB"
    return f'Left as it is with the link "{link}": its loudest member, {loudest}, is {off}, {tolerance}.'


def _link_target(
    link: str,
    loudest: str,
    gain_db: float,
    measured_db: float,
    level: str,
    wanted_db: float | None = None,
    level_db: float = 0.0,
    step_db: float = 0.0,
) -> str:
    """The last three are missing from decisions that an earlier version stored."""
    off_db = 0.0 if wanted_db is None else gain_db - wanted_db
    goes = _goes(measured_db, level, level_db, off_db, step_db)
    return f"{_linked(gain_db, link)}: its loudest member, {loudest}, goes {goes}."


def _link_under_one_step(link: str, loudest: str, wanted_db: float, level: str) -> str:
    return f"{_linked(0.0, link)}: its loudest member, {loudest}, lacks {wanted_db:+.2f} dB to the {level}."


def _link_ceiling(
    link: str,
    loudest: str,
    gain_db: float,
    wanted_db: float,
    ceiling_dbtp: float,
    limited: str,
    true_peak_dbtp: float | None = None,
) -> str:
    """The last one is missing from decisions that an earlier version stored."""
    effect = "stopped it" if wanted_db > 0.0 else "asks for more"
    goes = "" if true_peak_dbtp is None else f": {_peak_goes(true_peak_dbtp, gain_db)}"
    stop = f"the ceiling of {ceiling_dbtp:g} dBTP on {limited} {effect}{goes}"
    return f"{_linked(gain_db, link)}; its loudest member, {loudest}, asked for {wanted_db:+.1f} dB, {stop}."


def _link_boost_limit(link: str, loudest: str, gain_db: float, wanted_db: float, boost_db: float) -> str:
    asked = f"asked for {wanted_db:+.1f} dB, {_boost_stop(boost_db)}"
    return f"{_linked(gain_db, link)}; its loudest member, {loudest}, {asked}."


def _own_rule(rule: str, wanted_db: float, why: str) -> str:
    return f'The rule "{rule}" wants {wanted_db:+.1f} dB: {why}'


def _own_ceiling(gain_db: float, wanted_db: float, ceiling_dbtp: float, true_peak_dbtp: float) -> str:
    return f"{moved(gain_db)}; {_ceiling_stop(wanted_db, ceiling_dbtp)}: {_peak_goes(true_peak_dbtp, gain_db)}."


def _linked(gain_db: float, link: str) -> str:
    return f'{moved(gain_db)} with the link "{link}"'


def _ceiling_stop(wanted_db: float, ceiling_dbtp: float) -> str:
    return f"the ceiling of {ceiling_dbtp:g} dBTP {'stopped it' if wanted_db > 0.0 else 'asks for more'}"


def _goes(measured_db: float, level: str, level_db: float, off_db: float, step_db: float) -> str:
    """Return from where a figure goes to where; `off_db` is by how much rounding keeps it from the level, 0 or less."""
    reached_db = level_db + off_db
    if f"{reached_db:.1f}" == f"{level_db:.1f}":
        return f"from {measured_db:.1f} to the {level}"
    return f"from {measured_db:.1f} to {reached_db:.1f}, within a step of {step_db:g} dB under the {level}"


def _peak_goes(true_peak_dbtp: float, gain_db: float) -> str:
    if gain_db == 0.0:
        return f"the true peak is {true_peak_dbtp:.1f} dBTP already"
    return f"the true peak goes from {true_peak_dbtp:.1f} to {true_peak_dbtp + gain_db:.1f} dBTP"


def _boost_stop(boost_db: float) -> str:
    return f"the largest boost of {boost_db:g} dB stopped it"


_SENTENCES: Final[Mapping[ReasonCode, Callable[..., str]]] = {
    ReasonCode.LEAVE: lambda: "Left as it is: its rule is to be left.",
    ReasonCode.SILENT: lambda: "Left as it is: too quiet to measure, no sound in it rises above -70 dBFS.",
    ReasonCode.TOLERANCE: _tolerance,
    ReasonCode.UNDER_ONE_STEP: lambda wanted_db, level: (
        f"Left as it is: it lacks {wanted_db:+.2f} dB to the {level}, less than one step."
    ),
    ReasonCode.TARGET: _target,
    ReasonCode.CEILING: _ceiling,
    ReasonCode.BOOST_LIMIT: _boost_limit,
    ReasonCode.LINK_SILENT: lambda link: f'Left as it is: too quiet to measure, like all of the link "{link}".',
    ReasonCode.LINK_TOLERANCE: _link_tolerance,
    ReasonCode.LINK_TARGET: _link_target,
    ReasonCode.LINK_UNDER_ONE_STEP: _link_under_one_step,
    ReasonCode.LINK_CEILING: _link_ceiling,
    ReasonCode.LINK_BOOST_LIMIT: _link_boost_limit,
    ReasonCode.LINK_FALLBACK: lambda: "No member has the figure of its rule, so the average counts.",
    ReasonCode.LINK_FOLLOWS: lambda: "It has no level of its own and follows.",
    ReasonCode.OWN_RULE: _own_rule,
    ReasonCode.OWN_GAIN: lambda gain_db: f"{moved(gain_db)}.",
    ReasonCode.OWN_CEILING: _own_ceiling,
    ReasonCode.OWN_BOOST_LIMIT: lambda gain_db, boost_db: f"{moved(gain_db)}; {_boost_stop(boost_db)}.",
    ReasonCode.FALLBACK: lambda rule: f"It has no {rule} figure, so its average counts.",
    ReasonCode.SHORT: lambda: "It is shorter than 400 ms, so it counts as one block.",
    ReasonCode.BUS_OFFSET: lambda offset_db: (
        f"Then {-offset_db:g} dB down with every stem, so that the mix bus keeps under its ceiling."
    ),
}


def reason(code: ReasonCode, **values: Any) -> Reason:  # noqa: ANN401 - each sentence names what it takes
    """Return a reason; `values` are those that its sentence names."""
    return Reason(code=code, values=values)
