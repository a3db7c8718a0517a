"""The song "Salt Road": ten stems of an invented session, with the faults that real sessions have.

Everything is computed here, the same to the bit on every run: `render` gives a stem's codes on the 24-bit grid and
`wav_bytes` the file around them. The levels are the faders of an invented desk, set by hand and kept.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.demo.instruments import Hand, Microphone, fiddle, harmonium, hummer, singer
from stager.demo.score import ANSWER, DRONE, FIDDLE, FRAMES, HARMONIUM, LEAD, LUTE, SAMPLE_RATE_HZ, STROKES
from stager.demo.strokes import drone, hand_drums, lute
from stager.demo.synthesis import Codes, Sound, generator, quantised, room_tone
from stager.units import linear_from_db

BYTES_A_SAMPLE: Final = 3
"""24 bits."""

HEADER_BYTES: Final = 44
"""Length of the header: RIFF, one `fmt ` chunk, and the start of `data`."""

_PLAY, _ROOM, _DITHER = range(3)


@dataclass(frozen=True)
class Part:
    """One stem: its file name, what it is, what is wrong with it ("nothing" where nothing is), and how it is made.

    `play` gives the dry desk signal, (frames,) or (frames, channels), from a generator of the part's own seed;
    `fader_db` and the room's RMS level `room_dbfs` follow, None for a file made from another without a microphone.
    """

    name: str
    what: str
    wrong: str
    seed: int
    play: Callable[[np.random.Generator], Sound]
    fader_db: float = 0.0
    room_dbfs: float | None = -76.0
    both_channels_alike: bool = False


def render(part: Part) -> Codes:
    """Return the stem's codes on the 24-bit grid, (frames, channels)."""
    codes = quantised(_heard(part), generator(part.seed, _DITHER))
    codes = codes.reshape(FRAMES, -1)
    return np.repeat(codes, 2, axis=1) if part.both_channels_alike else codes


def header_bytes(channels: int, sample_rate_hz: int, data_bytes: int) -> bytes:
    """Return the header of a 24-bit PCM WAVE file that promises this many bytes of audio."""
    frame_bytes = channels * BYTES_A_SAMPLE
    riff = struct.pack("<4sI4s", b"RIFF", HEADER_BYTES - 8 + data_bytes + data_bytes % 2, b"WAVE")
    form = (1, channels, sample_rate_hz, sample_rate_hz * frame_bytes, frame_bytes, 8 * BYTES_A_SAMPLE)
    return riff + struct.pack("<4sIHHIIHH", b"fmt ", 16, *form) + struct.pack("<4sI", b"data", data_bytes)


def wav_bytes(codes: Codes, sample_rate_hz: int = SAMPLE_RATE_HZ) -> tuple[bytes, bytes]:
    """Return a stem's file as (header, audio); the audio ends with a pad byte where its length is odd."""
    audio = codes.astype("<i4").reshape(-1, 1).view(np.uint8)[:, :BYTES_A_SAMPLE].tobytes()
    header = header_bytes(codes.shape[1], sample_rate_hz, len(audio))
    return header, audio + bytes(len(audio) % 2)


def part_named(name: str) -> Part:
    """Return the part of this file name.

    Raises:
        KeyError: The song has no such part.
    """
    return {part.name: part for part in SONG}[name]


def _heard(part: Part) -> Sound:
    """Return the signal before conversion: the performance through the fader, and the room's noise."""
    sound = part.play(generator(part.seed, _PLAY)) * linear_from_db(part.fader_db)
    if part.room_dbfs is None:
        return sound
    rng = generator(part.seed, _ROOM)
    channels = [room_tone(rng, part.room_dbfs) for _ in range(sound.size // FRAMES)]
    return sound + np.stack(channels, axis=-1).reshape(sound.shape)


_HARMONIUM_SEED: Final = 9201
_FIRST_HAND: Final = Hand(vibrato_hz=5.6, vibrato_depth=0.22, drift=0.05)
_SECOND_HAND: Final = Hand(vibrato_hz=4.9, vibrato_depth=0.3, drift=0.11, looseness_s=(0.010, 0.030))
_LEAD_HAND: Final = Hand(vibrato_hz=5.2, vibrato_depth=0.3, drift=0.12, looseness_s=(0.0, 0.012))
_ANSWER_HAND: Final = Hand(vibrato_hz=4.6, vibrato_depth=0.18, drift=0.1, looseness_s=(0.0, 0.015))
_COPY_LATE_FRAMES: Final = 576


def _harmonium_left(rng: np.random.Generator) -> Sound:
    return harmonium(HARMONIUM, Microphone(1.0, 0.75, 1.15), generator(_HARMONIUM_SEED, _PLAY), rng)


def _harmonium_right(rng: np.random.Generator) -> Sound:
    return harmonium(HARMONIUM, Microphone(0.65, 0.95, 1.0), generator(_HARMONIUM_SEED, _PLAY), rng)


def _fiddle_again(_rng: np.random.Generator) -> Sound:
    """Return the first fiddle's own stem, 12 ms late: a copy, not a performance."""
    first = render(_FIDDLE_MAIN)[:, 0] / 2.0 ** (8 * BYTES_A_SAMPLE - 1)
    return np.concatenate([np.zeros(_COPY_LATE_FRAMES), first[:-_COPY_LATE_FRAMES]])


_FIDDLE_MAIN: Final = Part(
    "fiddle_main.wav",
    "The fiddle with the tune, mono.",
    "nothing",
    9203,
    lambda rng: fiddle(FIDDLE, _FIRST_HAND, rng),
    fader_db=-21.9,
)

SONG: Final[tuple[Part, ...]] = (
    Part(
        "harmonium_L.wav",
        "The harmonium through the left microphone of a pair, mono.",
        "nothing",
        _HARMONIUM_SEED,
        _harmonium_left,
        fader_db=-31.5,
    ),
    Part(
        "harmonium_R.wav",
        "The same performance of the harmonium through the right microphone, mono.",
        "nothing",
        9202,
        _harmonium_right,
        fader_db=-33.2,
    ),
    _FIDDLE_MAIN,
    Part(
        "fiddle_double.wav",
        "The tune played a second time, a true double with timing and vibrato of its own, mono.",
        "nothing",
        9204,
        lambda rng: fiddle(FIDDLE, _SECOND_HAND, rng),
        fader_db=-26.9,
    ),
    Part(
        "fiddle_double_2.wav",
        "What should be the tune played a third time, mono.",
        "a false double: a copy of fiddle_main.wav, 12 ms late and 1 dB lower",
        9205,
        _fiddle_again,
        fader_db=-1.0,
        room_dbfs=None,
    ),
    Part(
        "voice_lead.wav",
        "The first singer, mono.",
        "clipped: the converter was driven over full scale on the loud notes",
        9206,
        lambda rng: singer(LEAD, _LEAD_HAND, rng),
        fader_db=0.7,
    ),
    Part(
        "voice_hum.wav",
        "The second singer, humming long notes under the first, mono.",
        "far too quiet: recorded some 20 dB under the others",
        9207,
        lambda rng: hummer(ANSWER, _ANSWER_HAND, rng),
        fader_db=-38.3,
        room_dbfs=-80.0,
    ),
    Part(
        "lute.wav",
        "The plucked lute through a pair of microphones, stereo.",
        "sparse: three short runs with long pauses between them, and plucks far louder than what follows",
        9208,
        lambda rng: lute(LUTE, rng),
        fader_db=-15.9,
    ),
    Part(
        "tabla.wav",
        "The pair of hand drums through one microphone, bounced as stereo.",
        "a mono part in a stereo file: both channels are the same",
        9209,
        lambda rng: hand_drums(STROKES, rng),
        fader_db=-22.3,
        both_channels_alike=True,
    ),
    Part(
        "drone.wav",
        "Four open strings plucked in turn under everything, stereo.",
        "hot: recorded up to half a decibel under full scale, though not clipped",
        9210,
        lambda rng: drone(DRONE, rng),
        fader_db=3.0,
    ),
)
"""The ten stems, in the order in which they are bounced."""
