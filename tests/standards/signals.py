"""Test signals of the loudness and peak standards, and float WAV files for them: struct and numpy, nothing else.

Levels are peak levels of a sine in dBFS, as the standards give them. Lengths are whole 10 ms, so that a 1 kHz tone
ends each part at a zero crossing.
"""

import struct
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Parts = list[tuple[float, float | None]]
"""(seconds, level in dBFS or None for silence) one after another."""

MASK_5_0: Final = 0x37
MASK_5_0_SIDES: Final = 0x607
MASK_5_1: Final = 0x3F
"""Speakers of an extensible header: front left, right, centre, (low frequency), two surrounds."""
GUID_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")
LOW_PASS_TAPS: Final = 511


def tone(rate_hz: int, parts: Parts, hz: float = 1000.0) -> Array:
    """Give a mono sine, of a multiple of 1 Hz, that steps from level to level."""
    lengths = [round(seconds * rate_hz) for seconds, _ in parts]
    factors = [0.0 if level is None else 10.0 ** (level / 20.0) for _, level in parts]
    second = np.sin(2.0 * np.pi * hz / rate_hz * np.arange(rate_hz))
    return np.resize(second, sum(lengths)) * np.repeat(factors, lengths)


def stereo(mono: Array) -> Array:
    """Give the same signal in two channels, as a view that can't be written to."""
    return np.broadcast_to(mono[:, None], (len(mono), 2))


def faded(mono: Array, frames: int) -> Array:
    """Give a signal with raised-cosine fades of so many frames at both ends."""
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    out = mono.copy()
    out[:frames] *= ramp
    out[-frames:] *= ramp[::-1]
    return out


def peak_tone(rate_hz: int, per_period: float, amplitude: float, phase_deg: float) -> Array:
    """Give EBU Tech 3341 cases 15 to 19: a tone of so many samples a period, 1 s, with fades of 10 ms.

    The fades are stated for case 15; the others need them too: an abrupt start truly overshoots (case 17 then reads
    -5.6 dBTP).
    """
    turns = np.arange(rate_hz) / per_period + phase_deg / 360.0
    return stereo(faded(amplitude * np.sin(2.0 * np.pi * turns), rate_hz // 100))


def burst(rate_hz: int, offset: int) -> Array:
    """Give EBU Tech 3341 cases 20 to 23: a tone of a sixth of the rate, one period of a quarter of it within.

    Made at four times the rate, where the burst of twice the amplitude starts and ends at upward zero crossings of the
    tone; low-passed at half the rate by a Blackman-windowed sinc; decimated from the offset on.
    """
    slow, fast = 24, 16
    before = rate_hz // 3 // 6 * slow
    at = np.arange(before)
    lead = 0.5 * np.sin(2.0 * np.pi * at / slow)
    high = np.concatenate((lead, np.sin(2.0 * np.pi * np.arange(fast) / fast), lead))
    place = np.arange(LOW_PASS_TAPS) - LOW_PASS_TAPS // 2
    taps = np.sinc(place / 4.0) * np.blackman(LOW_PASS_TAPS)
    low = np.convolve(high, taps / taps.sum(), "same")[offset::4]
    return stereo(faded(low, rate_hz // 100))


def write_wav(path: Path, samples: Array, rate_hz: int, channel_mask: int = 0) -> Path:
    """Write a 32-bit float file, (frames, channels); with speakers where a mask is given."""
    channels = samples.shape[1]
    plain = struct.pack("<HIIHH", channels, rate_hz, 4 * rate_hz * channels, 4 * channels, 32)
    fmt = struct.pack("<H", 3) + plain
    if channel_mask:
        fmt = struct.pack("<H", 0xFFFE) + plain + struct.pack("<HHIH", 22, 32, channel_mask, 3) + GUID_TAIL
    size = 4 * samples.size
    head = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt + b"data" + struct.pack("<I", size)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.write(b"RIFF" + struct.pack("<I", len(head) + size) + head)
        file.write(np.ascontiguousarray(samples, "<f4").data)
    return path


def read_wav(path: Path) -> tuple[Array, int]:
    """Read a float or 16, 24 or 32 bit integer file as (frames, channels) float64, and its rate."""
    raw, position, chunks = path.read_bytes(), 12, {}
    while position + 8 <= len(raw):
        name, size = struct.unpack_from("<4sI", raw, position)
        chunks[name] = raw[position + 8 : position + 8 + size]
        position += 8 + size + size % 2
    tag, channels, rate_hz, _, _, bits = struct.unpack_from("<HHIIHH", chunks[b"fmt "])
    if tag == 0xFFFE:
        (tag,) = struct.unpack_from("<H", chunks[b"fmt "], 24)
    data, width = np.frombuffer(chunks[b"data"], np.uint8), bits // 8
    if tag == 3:
        return data.view(f"<f{width}").astype(float).reshape(-1, channels), rate_hz
    wide = np.zeros((len(data) // width, 4), np.uint8)
    wide[:, 4 - width :] = data.reshape(-1, width)
    return (wide.reshape(-1).view("<i4") / 2.0**31).reshape(-1, channels), rate_hz
