"""The caution about copies that are much louder than their originals: one threshold, one sentence. Pure."""

from collections.abc import Iterable
from typing import Final

from stager.model import Sidecar

LOUDER_DB: Final = 6.0
"""A copy that is louder by more than this asks for the caution (own figure: half again as loud, and more)."""
SAFE_LISTENING: Final = (
    "For how much sound over how long is safe for your hearing, follow the safe-listening guidance where you live, and "
    "ask a licensed audiologist where in doubt."
)


def fader_caution(highest_db: float) -> str | None:
    """Return the caution about faders that go up to bring a rough balance back; None where none goes up."""
    if highest_db <= 0.0:
        return None
    clip_gain = "many end at +6 to +12 dB, and clip gain does the rest"
    return f"Faders go up by as much as {highest_db:g} dB: lower your monitors first; {clip_gain}."


def is_louder(sidecar: Sidecar) -> bool:
    """Return whether a copy is so much louder than its original that the caution is due."""
    return sidecar.trim.gain_db > LOUDER_DB


def louder_caution(sidecars: Iterable[Sidecar]) -> str | None:
    """Return the caution about the copies that are much louder, with the loudest raise; None where there is none."""
    louder = [sidecar for sidecar in sidecars if is_louder(sidecar)]
    if not louder:
        return None
    worst = max(louder, key=lambda sidecar: sidecar.trim.gain_db)
    most = f"{worst.stem}, {worst.trim.gain_db:+.1f} dB"
    if len(louder) == 1:
        what, them = f"One copy is more than {LOUDER_DB:g} dB louder than its original ({most}).", "it"
    else:
        count = f"{len(louder)} copies are more than {LOUDER_DB:g} dB louder than their originals"
        what, them = f"{count} (most of all {most}).", "them"
    return f"{what} Turn monitors and headphones down before you first play {them}."
