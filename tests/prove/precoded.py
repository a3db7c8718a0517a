"""Clipping behind a codec or a resampler: invented parts, clipped or not, coded by others, through `measure`.

MP3 and Vorbis by libsndfile, resampling by scipy. Parts of noise and cymbals are left out,
and held notes of one level are only looked at for alarms, as the reference says.
"""

import io
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from tests.prove import takes_sounds as sounds
from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.wavefile import PCM_24

Array = NDArray[np.float64]
RATE_HZ: Final = 44_100
SECONDS: Final = 8
PARTS: Final = 20
DEPTHS_DB: Final = (6.0, 9.0, 12.0)
CODE: Final = "clipped_before_coding"
MAKERS: Final = (sounds.plucked, sounds.sung, sounds.bowed, sounds.bell)
LEAST_SHARE: Final = 0.85
"""What a first attempt at this method found behind the worst of these roads, 53 of 62 (own figure)."""
MOST_CLEAN_SHARE: Final = 0.02


def _mp3(samples: Array, kbit_s: int) -> Array:
    file, level = io.BytesIO(), (320 - kbit_s) / (320 - 32)
    form = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": level}
    soundfile.write(file, samples, RATE_HZ, **form)
    return _decoded(file)


def _vorbis(samples: Array) -> Array:
    file = io.BytesIO()
    soundfile.write(file, samples, RATE_HZ, format="OGG", subtype="VORBIS")
    return _decoded(file)


def _decoded(file: io.BytesIO) -> Array:
    file.seek(0)
    return np.asarray(soundfile.read(file)[0], np.float64)


ROADS: Final[dict[str, Callable[[Array], Array]]] = {
    "MP3, 128 kbit/s": lambda samples: _mp3(samples, 128),
    "MP3, 320 kbit/s": lambda samples: _mp3(samples, 320),
    "Vorbis": _vorbis,
    "44.1 to 48 kHz": lambda samples: np.asarray(resample_poly(samples, 160, 147), np.float64),
}


def _part(rng: np.random.Generator, number: int) -> Array:
    made = MAKERS[number % len(MAKERS)](rng, RATE_HZ, SECONDS * RATE_HZ, float(rng.uniform(90.0, 400.0)))
    return np.asarray(made / np.abs(made).max(), np.float64)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Count what is reported behind each road, of clipped parts and of the same parts as they are."""
    rng = np.random.default_rng(2_013)
    parts = [_part(rng, number) for number in range(max(len(MAKERS), bench.count(PARTS)))]
    varied = [part for number, part in enumerate(parts) if MAKERS[number % len(MAKERS)] is not sounds.bowed]
    for name, road in ROADS.items():
        clean = _reported(bench, [road(0.5 * part) for part in parts])
        cut = [np.clip(part, -limit, limit) for part in varied for limit in 10.0 ** (-np.array(DEPTHS_DB) / 20.0)]
        found = _reported(bench, [road(0.5 * part) for part in cut])
        depths = ", ".join(f"{depth:g}" for depth in DEPTHS_DB)
        claim, bound = f"clipped by {depths} dB, then {name}", f"at least {LEAST_SHARE:.0%}"
        yield Proof(claim, "the generator's truth", bound, f"{found} of {len(cut)}", found >= LEAST_SHARE * len(cut))
        bound = f"at most {MOST_CLEAN_SHARE:.0%}"
        is_silent = clean <= MOST_CLEAN_SHARE * len(parts)
        yield Proof(f"clean, then {name}", "the generator's truth", bound, f"{clean} of {len(parts)}", is_silent)


def _reported(bench: ProofContext, made: list[Array]) -> int:
    """Return how many of these sounds have the finding, as 24-bit files."""
    files = [
        wavefile.write(bench.folder / f"{number}.wav", np.clip(samples, -1.0, 1.0)[:, None], RATE_HZ, PCM_24)
        for number, samples in enumerate(made)
    ]
    stems = bench.stager("measure", *files, "--json").json()["stems"]
    return sum(any(finding["code"] == CODE for finding in stem["findings"]) for stem in stems)
