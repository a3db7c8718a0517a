"""Proves that the rough balance comes back: the copies with their faders moved back, less the originals."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.judge.bus import balance_sentence, is_restored, rounding_power
from stager.model.bus import BalanceResidual, LeftOut, Part
from stager.songset.bus.channel import MixChannel
from stager.songset.bus.inputs import MixInputs, summed
from stager.songset.bus.summing import mixing
from stager.units import db_from_linear, dbfs_rms_from_power, linear_from_db

SIDES: Final = 2


@dataclass
class _Left:
    """Running sums of what is left."""

    peak: float = 0.0
    energy: float = 0.0


def restored_balance(
    copies: Sequence[Part], originals: Sequence[Part], *, pan_law_db: float = -3.0, dithered: bool = True
) -> BalanceResidual:
    """Return what is left of the copies' sum less the originals'; parts belong together by name.

    `gain_db` of a copy is its `restore_fader_db`, that of an original 0. What is left of integer copies is their own
    rounding: N copies on grids of q_i leave the sum of 0.25 q_i^2 (1/12 without dither) times the square of each fader
    and of its gains to the sides. That is what is expected; digital silence, which gets no dither, leaves less.
    """
    alone = {part.name for part in copies} ^ {part.name for part in originals}
    gone = [
        LeftOut(name=name, reason="no_counterpart", says=f"{name}: expected original and copy, found only one of them")
        for name in sorted(alone)
    ]
    parts = [*copies, *originals]
    highest_db = max((part.gain_db for part in copies), default=0.0)
    polarities = [1.0] * len(copies) + [-1.0] * len(originals)

    def work(inputs: MixInputs) -> BalanceResidual:
        return _residual(inputs, linear_from_db(pan_law_db), highest_db, dithered=dithered)

    return summed(parts, work, polarities=polarities, left_out=gone)


def _residual(inputs: MixInputs, centre_linear: float, highest_db: float, *, dithered: bool) -> BalanceResidual:
    left = _Left()
    with mixing(inputs, centre_linear) as mixer:
        for sums in mixer.sums(0, inputs.frames):
            bus = sums.bus(centre_linear)
            left.peak = max(left.peak, float(np.abs(bus).max()))
            left.energy += float(np.vdot(bus, bus))
    samples = max(1, inputs.frames) * SIDES
    expected = _expected_energy(inputs, centre_linear, dithered=dithered) / samples
    rms_dbfs, expected_dbfs = dbfs_rms_from_power(left.energy / samples), dbfs_rms_from_power(expected)
    restored = is_restored(rms_dbfs, expected_dbfs)
    stems = len(inputs.channels) // 2
    return BalanceResidual(
        parts=stems,
        residual_peak_dbfs=db_from_linear(left.peak),
        residual_rms_dbfs=rms_dbfs,
        expected_rms_dbfs=expected_dbfs,
        restored=restored,
        left_out=inputs.left_out,
        says=balance_sentence(stems, rms_dbfs, expected_dbfs, restored=restored, highest_db=highest_db),
    )


def _expected_energy(inputs: MixInputs, centre_linear: float, *, dithered: bool) -> float:
    originals = {channel.part.name: channel for channel in inputs.channels if channel.factor < 0.0}
    energy = 0.0
    for copy in (channel for channel in inputs.channels if channel.factor > 0.0):
        if _is_rounded(copy, originals[copy.part.name]):
            gains = copy.placement.at(centre_linear) * copy.factor
            each = rounding_power(copy.info.valid_bits, dithered=dithered) * originals[copy.part.name].info.frames
            energy += each * float(np.vdot(gains, gains))
    return energy


def _is_rounded(copy: MixChannel, original: MixChannel) -> bool:
    """Return whether its samples were rounded to an integer grid again, which a trim of 0 doesn't do."""
    same = copy.info.encoding is original.info.encoding and copy.part.gain_db == original.part.gain_db
    return copy.info.encoding.is_integer and not same
