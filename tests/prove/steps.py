"""Steps: each built-in against scipy or numpy, five bad ones as five outcomes, and what a batch without any costs."""

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tests.prove.proof import Proof, ProofContext
from tests.support.song import Song
from tests.support.wavefile import FLOAT

RATE_HZ: Final = 48_000
FRAMES: Final = 2 * RATE_HZ
WICKED: Final = Path(__file__).parent.parent / "support" / "faulty_plugins.py"
BAD: Final = ("crash", "hang", "glutton", "wrong_shape", "no_number")
LEAVE: Final = '[target]\nrule = "leave"\n'
NO_MATCH: Final = '[[step]]\nuse = "high_pass"\nmatch = ["no such stem*"]\n'
FLOAT32: Final = 2.0**-25
"""Half a step of 32-bit float under full scale: what storing a copy rounds by."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """A built-in with its settings, the outside reference, and by how much a stored copy may differ from it."""

    use: str
    settings: str
    source: str
    wanted: Callable[[Array], Array]
    bound: float = 1.01 * FLOAT32
    edge_frames: int = 0


def _filtered(block: Array) -> Array:
    return np.asarray(signal.sosfilt(signal.butter(2, 80.0, "highpass", fs=RATE_HZ, output="sos"), block, axis=0))


def _delayed(block: Array) -> Array:
    """Later by a hundred frames, and so much longer: nothing is lost at the end."""
    return np.concatenate((np.zeros((100, 2)), block))


CASES: Final = (
    Case("high_pass", "cutoff_hz = 80.0\n", "scipy.signal.butter, sosfilt", _filtered),
    Case("remove_dc", "", "numpy mean", lambda block: block - block.mean(axis=0)),
    Case("flip_polarity", "", "minus the samples", lambda block: -block),
    Case("fold_mono", "", "numpy, equal sides", lambda block: block[:, :1]),
    Case("align", "delay_frames = 100\n", "numpy, shifted", _delayed),
    Case(
        "resample",
        "rate_hz = 96000\n",
        "scipy.signal.resample",
        lambda block: np.asarray(signal.resample(block, 2 * len(block), axis=0)),
        1e-6,
        9_600,
    ),
)


def _part(seed: int, frames: int = FRAMES) -> Array:
    """Two equal channels of noise under 12 kHz that repeats, with a constant part, on the grid of 32-bit float."""
    rng, spectrum = np.random.default_rng(seed), np.zeros(frames // 2 + 1, complex)
    spectrum[1 : frames // 4] = rng.normal(size=frames // 4 - 1) + 1j * rng.normal(size=frames // 4 - 1)
    one = np.fft.irfft(spectrum, frames)
    one = 0.5 * one / np.abs(one).max() + 0.01
    return np.repeat(one.astype(np.float32).astype(np.float64).reshape(-1, 1), 2, axis=1)


def _built_in(bench: ProofContext, case: Case) -> Proof:
    toml = f'[[step]]\nuse = "{case.use}"\nmatch = ["*"]\n{case.settings}{LEAVE}'
    song, block = Song.made(bench.stager, bench.folder / case.use, toml), _part(80)
    song.put("part.wav", block, kind=FLOAT)
    song.stage()
    found, wanted = song.copy("part.wav").samples(), case.wanted(block)
    same_shape = found.shape == wanted.shape
    inner = slice(case.edge_frames, len(wanted) - case.edge_frames)
    off = float(np.abs(found - wanted)[inner].max()) if same_shape else float("inf")
    claim = f"{case.use}: a copy by the command is the reference's"
    return Proof(claim, case.source, f"<= {case.bound:.3g} of 1.0", f"{off:.3g}", off <= case.bound)


def _five_bad(bench: ProofContext) -> Proof:
    """Crash, sleep for ever, allocate without end, a wrong shape, NaN; and two stems beside them."""
    tables = "".join(f'[[step]]\nuse = "{name}"\nmatch = ["{name}*"]\n' for name in BAD)
    song = Song.made(bench.stager, bench.folder / "bad", f'[[plugin]]\nfile = "wicked.py"\n{tables}')
    (song.folder / "wicked.py").write_text(WICKED.read_text())
    for name in (*BAD, "good", "plain"):
        song.put(f"{name}.wav", _part(81, RATE_HZ))
    outcomes = song.outcomes()
    refused = [name for name in BAD if outcomes[f"{name}.wav"].get("refused") == "step_failed"]
    staged = [name for name in ("good", "plain") if (song.outbox / f"{name}.wav").is_file()]
    named = all(f"step '{name}'" in outcomes[f"{name}.wav"]["says"] for name in refused)
    figure = f"{len(refused)} refused, {len(staged)} staged"
    return Proof(
        "crash, hang, greed, shape and NaN are five outcomes",
        "outcomes by name",
        "5 refused, 2 staged",
        figure,
        len(refused) == 5 and len(staged) == 2 and named,
    )


def _cost(bench: ProofContext) -> Proof:
    """The same stems with no table of steps, and with a step that means none of them: copies, and time against time."""
    songs = [Song.made(bench.stager, bench.folder / name, toml) for name, toml in (("none", ""), ("idle", NO_MATCH))]
    for song in songs:
        for number in range(bench.count(20)):
            song.put(f"{number:02d}.wav", _part(90 + number, 10 * RATE_HZ))
        song.stage()
    taken_s = [_shortest_s(song) for song in songs]
    same = songs[0].settled() == songs[1].settled() and all(
        not json.loads(path.read_text())["steps"] for song in songs for path in song.outbox.glob("*.wav.json")
    )
    ratio = taken_s[1] / taken_s[0]
    claim = "no step meant: copies and logs as without any; time is told"
    return Proof(claim, "the same stems", "the same bytes", f"time x {ratio:.2f}", same)


def _shortest_s(song: Song) -> float:
    """The shortest of three runs that stage everything again."""
    found = []
    for _ in range(3):
        begun_s = time.monotonic()
        song.stage("--again")
        found.append(time.monotonic() - begun_s)
    return min(found)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Prove it."""
    for case in CASES:
        yield _built_in(bench, case)
    yield _five_bad(bench)
    yield _cost(bench)
