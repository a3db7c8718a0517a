"""The table of faults: sixty recordings, each with one fault, on its road into a file; found no less than before.

The recordings come from the packages of `recordings`: words, drums, notes and loops that nothing cut, two seconds each.
A fault is made by numpy; roads are those of others: MP3 by libsndfile, rates by scipy. `WAS` has what the rules before
the detectors were split off counted in the same files. Clean recordings on the same roads are a control.
"""

import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from tests.prove import recordings, takes_recordings
from tests.prove.proof import Proof, ProofContext
from tests.prove.takes_recordings import Package
from tests.support import wavefile
from tests.support.wavefile import PCM_16, PCM_24

Array = NDArray[np.float64]
Judge = Callable[[dict[str, Any]], bool]
RATE_HZ: Final = 44_100
FRAMES: Final = 2 * RATE_HZ
BASES: Final = {"asterisk-core-sounds-en-wav": 20, "hydrogen-drumkits": 20, "sonic-pi-samples": 20}
"""How many recordings of each package."""
LEAST_SECONDS: Final = 1.0
LEVELS_DB: Final = (1.0, 3.0, 6.0, 12.0)
"""How far over the top the peak is driven."""
DELAYS_MS: Final = (0.5, 5.0, 15.0, 19.0, 25.0, 40.0)
TOLD_MS: Final = 20.0
"""Up to here a delay has a number (the reference)."""
NEAR_MS: Final = 0.05
STEPS: Final = (0.01, 0.05)
MOST_CLEAN: Final = 2
"""Clean recordings of sixty that may be told as cut, `listen`: two were, by levels at which their crests pile up."""
CUT: Final = frozenset({"clipped", "clipped_upstream", "clipped_before_coding"})
WAS: Final[dict[str, int]] = {
    "hard by 1 dB, as it is": 49,
    "hard by 3 dB, as it is": 60,
    "hard by 6 dB, as it is": 60,
    "hard by 12 dB, as it is": 60,
    "soft by 1 dB, as it is": 1,
    "soft by 3 dB, as it is": 0,
    "soft by 6 dB, as it is": 60,
    "soft by 12 dB, as it is": 60,
    "hard by 1 dB, MP3, 128 kbit/s": 0,
    "hard by 3 dB, MP3, 128 kbit/s": 0,
    "hard by 6 dB, MP3, 128 kbit/s": 0,
    "hard by 12 dB, MP3, 128 kbit/s": 0,
    "soft by 1 dB, MP3, 128 kbit/s": 0,
    "soft by 3 dB, MP3, 128 kbit/s": 0,
    "soft by 6 dB, MP3, 128 kbit/s": 0,
    "soft by 12 dB, MP3, 128 kbit/s": 0,
    "hard by 1 dB, MP3, 192 kbit/s": 0,
    "hard by 3 dB, MP3, 192 kbit/s": 0,
    "hard by 6 dB, MP3, 192 kbit/s": 0,
    "hard by 12 dB, MP3, 192 kbit/s": 0,
    "soft by 1 dB, MP3, 192 kbit/s": 0,
    "soft by 3 dB, MP3, 192 kbit/s": 0,
    "soft by 6 dB, MP3, 192 kbit/s": 2,
    "soft by 12 dB, MP3, 192 kbit/s": 0,
    "hard by 1 dB, MP3, 320 kbit/s": 0,
    "hard by 3 dB, MP3, 320 kbit/s": 0,
    "hard by 6 dB, MP3, 320 kbit/s": 0,
    "hard by 12 dB, MP3, 320 kbit/s": 0,
    "soft by 1 dB, MP3, 320 kbit/s": 0,
    "soft by 3 dB, MP3, 320 kbit/s": 0,
    "soft by 6 dB, MP3, 320 kbit/s": 3,
    "soft by 12 dB, MP3, 320 kbit/s": 0,
    "hard by 1 dB, 44.1 to 48 kHz": 0,
    "hard by 3 dB, 44.1 to 48 kHz": 0,
    "hard by 6 dB, 44.1 to 48 kHz": 0,
    "hard by 12 dB, 44.1 to 48 kHz": 0,
    "soft by 1 dB, 44.1 to 48 kHz": 0,
    "soft by 3 dB, 44.1 to 48 kHz": 0,
    "soft by 6 dB, 44.1 to 48 kHz": 4,
    "soft by 12 dB, 44.1 to 48 kHz": 1,
    "hard by 1 dB, dithered to 16 bits": 46,
    "hard by 3 dB, dithered to 16 bits": 59,
    "hard by 6 dB, dithered to 16 bits": 60,
    "hard by 12 dB, dithered to 16 bits": 60,
    "soft by 1 dB, dithered to 16 bits": 0,
    "soft by 3 dB, dithered to 16 bits": 0,
    "soft by 6 dB, dithered to 16 bits": 52,
    "soft by 12 dB, dithered to 16 bits": 60,
    "lost: 1 ms of zeros": 60,
    "lost: 1 ms of held": 60,
    "lost: 5 ms of zeros": 60,
    "lost: 5 ms of held": 59,
    "lost: 20 ms of zeros": 60,
    "lost: 20 ms of held": 59,
    "a constant of 0.01 from the middle on": 4,
    "a constant of 0.01 throughout": 0,
    "a constant of 0.05 from the middle on": 15,
    "a constant of 0.05 throughout": 0,
    "0.5 ms late, told": 60,
    "0.5 ms late, another number told": 0,
    "5 ms late, told": 60,
    "5 ms late, another number told": 0,
    "15 ms late, told": 60,
    "15 ms late, another number told": 0,
    "19 ms late, told": 60,
    "19 ms late, another number told": 0,
    "25 ms late, another number told": 5,
    "40 ms late, another number told": 3,
}
"""What the rules before found of sixty; rows of wrong numbers count how many were wrong."""


@dataclass(frozen=True)
class Row:
    """One line of the table: files of one fault, and what counts in them; `is_wrong`: fewer are better."""

    name: str
    files: tuple[Array, ...]
    counts: Judge
    is_wrong: bool = False


def _mp3(samples: Array, kbit_s: int) -> Array:
    file, level = io.BytesIO(), (320 - kbit_s) / (320 - 32)
    form = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": level}
    soundfile.write(file, samples, RATE_HZ, **form)
    file.seek(0)
    return np.asarray(soundfile.read(file, always_2d=True)[0], np.float64)


def _dithered(samples: Array) -> Array:
    rng = np.random.default_rng(len(samples))
    noise = rng.random(samples.shape) - rng.random(samples.shape)
    return np.rint(samples * 2.0**15 + noise) / 2.0**15


ROADS: Final[dict[str, Callable[[Array], Array]]] = {
    "as it is": lambda samples: samples,
    "MP3, 128 kbit/s": lambda samples: _mp3(samples, 128),
    "MP3, 192 kbit/s": lambda samples: _mp3(samples, 192),
    "MP3, 320 kbit/s": lambda samples: _mp3(samples, 320),
    "44.1 to 48 kHz": lambda samples: np.asarray(resample_poly(samples, 160, 147, axis=0), np.float64),
    "dithered to 16 bits": _dithered,
}


def _hard(sound: Array, depth_db: float) -> Array:
    top = 10.0 ** (-depth_db / 20.0)
    return np.clip(sound, -top, top) / top


def _soft(sound: Array, depth_db: float) -> Array:
    """Bend a sound towards 1 and hold it there, as a stage that is driven: a cubic up to its flat end."""
    driven = np.clip(sound * 10.0 ** (depth_db / 20.0) / 1.5, -1.0, 1.0)
    return 1.5 * (driven - driven**3 / 3.0)


def _codes(stem: dict[str, Any]) -> set[str]:
    return {finding["code"] for finding in stem["findings"] if finding["verdict"] != "usable"}


def _is_cut(stem: dict[str, Any]) -> bool:
    return bool(_codes(stem) & CUT)


def _is_lost(stem: dict[str, Any]) -> bool:
    return "dropout" in _codes(stem)


def _is_stepped(stem: dict[str, Any]) -> bool:
    return "dropout" in _codes(stem) or any(finding["code"] == "dc_offset" for finding in stem["findings"])


def _delay_ms(stem: dict[str, Any]) -> float | None:
    told = [finding["measured"]["delay_ms"] for finding in stem["findings"] if finding["code"] == "delay"]
    return abs(float(told[0])) if told else None


def rows(bases: Sequence[Array]) -> Iterator[Row]:
    """Yield the table's rows over the recordings, (frames,), each with its peak at 1."""
    for road, change in ROADS.items():
        yield Row(f"clean, {road}", _through(change, bases), _is_cut, is_wrong=True)
        for kind, cut in (("hard", _hard), ("soft", _soft)):
            for depth_db in LEVELS_DB:
                made = [cut(base, depth_db) for base in bases]
                yield Row(f"{kind} by {depth_db:g} dB, {road}", _through(change, made), _is_cut)
    yield from _losses(bases)
    yield from _delays(bases)


def _through(change: Callable[[Array], Array], sounds: Sequence[Array]) -> tuple[Array, ...]:
    return tuple(np.clip(change(0.5 * sound[:, None]), -1.0, 1.0) for sound in sounds)


def _losses(bases: Sequence[Array]) -> Iterator[Row]:
    loudest = [int(np.argmax(np.convolve(base**2, np.ones(2_000), "same")[4_000:-6_000])) + 4_000 for base in bases]
    for frames in (44, 220, 882):
        for value in ("zeros", "held"):
            made = [0.5 * base[:, None].copy() for base in bases]
            for sound, at in zip(made, loudest, strict=True):
                sound[at : at + frames] = 0.0 if value == "zeros" else sound[at]
            yield Row(f"lost: {frames / RATE_HZ * 1000:.0f} ms of {value}", tuple(made), _is_lost)
    for step in STEPS:
        made = [0.5 * base[:, None] + step * (np.arange(len(base)) >= len(base) // 2)[:, None] for base in bases]
        yield Row(f"a constant of {step:g} from the middle on", tuple(made), _is_stepped)
        whole = tuple(0.5 * base[:, None] + step for base in bases)
        yield Row(f"a constant of {step:g} throughout", whole, _is_stepped)


def _delays(bases: Sequence[Array]) -> Iterator[Row]:
    for ms in DELAYS_MS:
        late, made = round(ms / 1000.0 * RATE_HZ), []
        for base in bases:
            left, right = np.append(base, np.zeros(late)), np.append(np.zeros(late), base)
            made.append(0.5 * np.column_stack((left, 0.8 * right)))

        def is_right(stem: dict[str, Any], ms: float = late / RATE_HZ * 1000.0) -> bool:
            told = _delay_ms(stem)
            return told is not None and abs(told - ms) <= NEAR_MS

        def is_wrong(stem: dict[str, Any], ms: float = late / RATE_HZ * 1000.0) -> bool:
            told = _delay_ms(stem)
            return told is not None and abs(told - ms) > NEAR_MS

        if ms <= TOLD_MS:
            yield Row(f"{ms:g} ms late, told", tuple(made), is_right)
        yield Row(f"{ms:g} ms late, another number told", tuple(made), is_wrong, is_wrong=True)


def bases(bench: ProofContext) -> list[Array]:
    """Return the recordings, each (frames,) with its peak at 1."""
    found = []
    for name, count in BASES.items():
        wanted, kept = max(1, bench.count(count)), 0
        for path in takes_recordings.fetched(Package(name, "apt", ""), bench.folder / "bases"):
            sound = _base(path) if path.is_file() and kept < wanted else None
            if sound is not None:
                found.append(sound)
                kept += 1
    return found


def _base(path: Path) -> Array | None:
    """Return a recording of one second and more that nothing cut, as one channel at 44.1 kHz."""
    samples, rate_hz = soundfile.read(path, always_2d=True)
    sound = np.asarray(samples[:, 0], np.float64)
    if len(sound) < LEAST_SECONDS * rate_hz or not sound.any() or recordings.is_cut(samples[:, :1]):
        return None
    if rate_hz != RATE_HZ:
        common = int(np.gcd(rate_hz, RATE_HZ))
        sound = np.asarray(resample_poly(sound, RATE_HZ // common, rate_hz // common), np.float64)
    sound = sound[:FRAMES]
    return sound / np.abs(sound).max()


def counted(bench: ProofContext, row: Row, number: int) -> int:
    """Return in how many of a row's files its fault is told."""
    kind = PCM_16 if row.name.endswith("16 bits") else PCM_24
    rate_hz = 48_000 if row.name.endswith("48 kHz") else RATE_HZ
    files = [
        wavefile.write(bench.folder / f"{number}_{index}.wav", samples, rate_hz, kind)
        for index, samples in enumerate(row.files)
    ]
    stems = bench.stager("measure", *files, "--json").json()["stems"]
    for file in files:
        file.unlink()
    return sum(row.counts(stem) for stem in stems)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Count each row; of sixty recordings no row may be worse than it was, and few clean ones may be told as cut."""
    sounds = bases(bench)
    for number, row in enumerate(rows(sounds)):
        found, most = counted(bench, row, number), MOST_CLEAN if row.name.startswith("clean") else None
        was = None if bench.short else WAS.get(row.name, most)
        holds = was is None or (found <= was if row.is_wrong else found >= was)
        least = "at most" if row.is_wrong else "at least"
        bound = "a figure" if was is None else f"{least} {was}{', as before' if most is None else ''}"
        yield Proof(row.name, "the fault made", bound, f"{found} of {len(sounds)}", holds)
