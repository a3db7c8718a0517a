"""The sentence that says why a trim is what it is: what the person would ask, answered. Pure."""

from dataclasses import dataclass

from stager.model import DecidedBy, Target


@dataclass(frozen=True)
class Limits:
    """What the gain may not pass, in dB; None: nothing was found to limit it."""

    ceiling_allows_db: float | None
    boost_allows_db: float


def because(
    by: DecidedBy, gain: float, wanted: float | None, measured: float | None, target: Target, limits: Limits
) -> str:
    """Say in one sentence why; gains in dB, `measured` the rule's figure."""
    if by is DecidedBy.LEAVE:
        return "Left as it is: its rule is to be left."
    if by is DecidedBy.SILENT or measured is None or wanted is None:
        return "Left as it is: too quiet to measure, no sound in it rises above -70 dBFS."
    if by is DecidedBy.TOLERANCE:
        side = "above" if measured > target.level_db else "under"
        off = f"{abs(measured - target.level_db):.1f} dB {side} the {figure_name(target)}"
        return f"Left as it is: {off}, inside the tolerance of {target.tolerance_db:g} dB."
    if by is DecidedBy.TARGET and gain == 0.0:
        return f"Left as it is: it lacks {wanted:+.2f} dB to the {figure_name(target)}, less than one step."
    if by is DecidedBy.TARGET:
        return f"{moved(gain)}: from {measured:.1f} to the {figure_name(target)}."
    stop = f"the largest boost of {limits.boost_allows_db:g} dB stopped it"
    if by is DecidedBy.CEILING:
        stop = f"the ceiling of {target.ceiling_dbtp:g} dBTP {'stopped it' if wanted > 0.0 else 'asks for more'}"
    return f"{moved(gain)}; the target asked for {wanted:+.1f} dB, {stop}."


def moved(gain_db: float) -> str:
    """Say what a trim does: raised, lowered, or left as it is."""
    if gain_db == 0.0:
        return "Left as it is"
    return f"{'Raised' if gain_db > 0.0 else 'Lowered'} {abs(gain_db):g} dB"


def figure_name(target: Target) -> str:
    """Name the level that a target asks for, with its unit and reference."""
    level = f"{target.level_db:g}"
    return {
        "average": f"average of {level} dBFS RMS ({'AES17' if target.reference == 'sine' else 'square = 0'})",
        "loudness": f"loudness of {level} LUFS",
        "vu": f"VU reading of {level} dBFS (of a sine)",
        "peak": f"sample peak of {level} dBFS",
        "leave": f"{level} dBFS",
    }[target.rule]
