"""Compares a rough mix with the sum of the stems: one lag, one gain, and where they differ.

The lag is found by cross-correlation of a loud stretch, both sides together. The gain is the one that leaves least,
fitted to the better half of all windows, so that a passage in which a stem is missing does not spoil it for the rest.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from stager.errors import UnsupportedStem
from stager.judge.bus import LONGEST_GAP_S, rough_match, with_deviations
from stager.meters import Samples
from stager.model.bus import Part, RoughMatch, RoughPlace, StemDeviation
from stager.songset.bus.channel import MixChannel, mix_channel_of, part_of
from stager.songset.bus.deviations import MOST_WINDOWS, Fit, deviations, placed
from stager.songset.bus.inputs import MixInputs, summed
from stager.songset.bus.summing import Mixer, mixing, not_finite
from stager.units import linear_from_db

STRETCH_S: Final = 4.0
MOST_LAG_S: Final = 5.0
"""How far from where its start says a mix is looked for (own figure)."""
WINDOW_S: Final = 1.0
BATCH_WINDOWS: Final = 4
MOST_ROUNDS: Final = 50


@dataclass(frozen=True, eq=False)
class _Products:
    """Sums of squares and products in each window: of the bus, of the mix, of one with the other."""

    bus: Samples
    mix: Samples
    both: Samples

    def left(self, gain: float) -> Samples:
        """Energy of mix less gain times bus."""
        return np.asarray(np.maximum(0.0, self.mix - 2.0 * gain * self.both + gain * gain * self.bus))


def against_rough(parts: Sequence[Part], rough_path: Path, *, pan_law_db: float = -3.0) -> RoughMatch:
    """Compare the sum of these parts with a rough mix, over the length of the mix.

    The parts are the stems as they were in the mix: originals at 0 dB, or copies with their faders moved back.

    Raises:
        StemError: where the mix can't be read, or has another rate than the stems.
    """
    rough = part_of(rough_path, rough_path.name)

    def work(inputs: MixInputs) -> RoughMatch:
        channel = mix_channel_of(rough)
        if inputs.rate_hz is not None and channel.info.sample_rate_hz != inputs.rate_hz:
            found = f"expected {inputs.rate_hz} Hz as the stems have, found {channel.info.sample_rate_hz} Hz"
            raise UnsupportedStem(rough.name, found)
        with mixing(inputs, linear_from_db(pan_law_db)) as mixer:
            return _matched(inputs, mixer, _Mix(channel), linear_from_db(pan_law_db))

    return summed(parts, work)


class _Mix:
    """The rough mix, two sides; its frame 0 is frame 0 here."""

    def __init__(self, channel: MixChannel) -> None:
        self.channel, self.frames, self.rate_hz = channel, channel.info.frames, channel.info.sample_rate_hz
        self.window_frames = max(1, round(WINDOW_S * self.rate_hz))
        self._gains = channel.placement.at(1.0)

    def read(self, start: int, stop: int) -> Samples:
        """Return the samples of a stretch, (frames, 2)."""
        out = np.zeros((stop - start, 2))
        for at, block in self.channel.frames(start, stop):
            if not np.isfinite(block).all():
                raise not_finite(self.channel, at, at + len(block))
            out[at - start : at - start + len(block)] = block @ self._gains
        return out

    def loud_place(self) -> int:
        """The first frame of the loudest stretch."""
        size = round(STRETCH_S * self.rate_hz)
        starts = range(0, max(1, self.frames - size // 2), size)
        return max(starts, key=lambda start: float((self.read(start, start + size) ** 2).sum()))


def _matched(inputs: MixInputs, mixer: Mixer, mix: _Mix, centre_linear: float) -> RoughMatch:
    offset, similarity = _offset(mixer, mix, centre_linear, _stated_offset(inputs, mix))
    products = _products(mixer, mix, centre_linear, offset)
    gain = _fitted_gain(products)
    found = rough_match(
        lag_s=-offset / mix.rate_hz,
        gain_linear=gain,
        similarity=similarity,
        left=products.left(gain).tolist(),
        whole=products.mix.tolist(),
        window_s=mix.window_frames / mix.rate_hz,
        duration_s=mix.frames / mix.rate_hz,
        left_out=inputs.left_out,
    )
    return with_deviations(found, _deviations(inputs, mix, centre_linear, offset, found.places))


def _deviations(
    inputs: MixInputs, mix: _Mix, centre_linear: float, offset: int, places: Sequence[RoughPlace]
) -> tuple[StemDeviation, ...]:
    """Fit the mix by all stems where it differs, window by window, at most `MOST_WINDOWS` of them."""
    size, stems = mix.window_frames, inputs.channels
    if not stems:
        return ()
    windows = [
        (n, start)
        for n, place in enumerate(places)
        for start in range(round(place.start_s * mix.rate_hz), round(place.end_s * mix.rate_hz), size)
    ]
    fits = [Fit.empty(len(stems)) for _ in places]
    for n, start in windows[:: max(1, -(-len(windows) // MOST_WINDOWS))]:
        stop = min(start + size, mix.frames)
        columns = [placed(stem, centre_linear, start + offset, stop + offset) for stem in stems]
        fits[n].add(np.stack(columns), mix.read(start, stop).T.reshape(-1), (stop - start) / mix.rate_hz)
    return deviations([stem.part.name for stem in stems], places, fits)


def _stated_offset(inputs: MixInputs, mix: _Mix) -> int:
    """The frame of the bus at which the mix starts by its time stamp; 0 where that says nothing."""
    stamp = mix.channel.part.start_frames
    if stamp is None or inputs.zero_stamp is None:
        return 0
    offset = stamp - inputs.zero_stamp
    return offset if abs(offset) < LONGEST_GAP_S * mix.rate_hz else 0


def _offset(mixer: Mixer, mix: _Mix, centre_linear: float, stated: int) -> tuple[int, float]:
    """The frame of the bus that sounds with frame 0 of the mix, and the correlation there.

    Cross-correlation by FFT, normalised by the energy of the bus under the stretch.
    """
    place, reach = mix.loud_place(), round(MOST_LAG_S * mix.rate_hz)
    stretch = mix.read(place, place + min(mix.frames, round(STRETCH_S * mix.rate_hz)))
    first = place + stated - reach
    bus = _bus(mixer, centre_linear, first, first + 2 * reach + len(stretch))
    size = 1 << (len(bus) + len(stretch)).bit_length()
    spectra = (np.fft.rfft(bus[:, s], size) * np.conj(np.fft.rfft(stretch[:, s], size)) for s in range(2))
    products = np.fft.irfft(sum(spectra), size)[: 2 * reach + 1]
    running = np.concatenate(([0.0], np.cumsum((bus**2).sum(axis=1))))
    under = running[len(stretch) :] - running[: len(running) - len(stretch)]
    energy = float((stretch**2).sum())
    floor = 1e-9 * float(under.max(initial=0.0))
    if energy == 0.0 or floor == 0.0:
        return stated, 0.0
    alike = np.where(under > floor, np.abs(products) / np.sqrt(np.maximum(under, floor) * energy), 0.0)
    best = int(alike.argmax())
    return stated + best - reach, min(1.0, float(alike[best]))


def _bus(mixer: Mixer, centre_linear: float, start: int, stop: int) -> Samples:
    return np.concatenate([sums.bus(centre_linear) for sums in mixer.sums(start, stop)])


def _products(mixer: Mixer, mix: _Mix, centre_linear: float, offset: int) -> _Products:
    rows = []
    step = BATCH_WINDOWS * mix.window_frames
    for sums in mixer.sums(offset, offset + mix.frames, step):
        bus = sums.bus(centre_linear)
        part = mix.read(sums.start - offset, sums.start - offset + len(bus))
        edges = np.arange(0, len(bus), mix.window_frames)
        sides = np.stack([(one * other).sum(axis=1) for one, other in ((bus, bus), (part, part), (bus, part))])
        rows.append(np.add.reduceat(sides, edges, axis=1))
    return _Products(*np.concatenate(rows, axis=1))


def _fitted_gain(products: _Products) -> float:
    """The gain of least squares over the half of all sounding windows that it leaves least of, found in rounds."""
    sounding = np.flatnonzero((products.bus > 0.0) & (products.mix > 0.0))
    kept = sounding
    for _ in range(MOST_ROUNDS):
        energy = float(products.bus[kept].sum())
        if energy == 0.0:
            return 0.0
        gain = float(products.both[kept].sum()) / energy
        share = products.left(gain)[sounding] / products.mix[sounding]
        better = np.sort(sounding[np.argsort(share, kind="stable")[: (len(sounding) + 1) // 2]])
        if np.array_equal(better, kept):
            break
        kept = better
    return gain
