"""What is told of two thousand recordings that Debian packages carry under an open licence: speech, drums, loops.

The packages are fetched by `apt-get download` into a folder that is gone at the end; nothing of them is kept here.
`PACKAGES` has their names, versions and licences. Whether a sound was cut is judged apart from the package: numpy
counts the samples within twelve codes of 16 bits of a channel's extreme, and those in the 48 codes under them. Of a
round crest the first count is 0.81 of the second (arithmetic: a parabola's width grows with the root of the depth), so
where it is larger, and three at least, the crests were cut.
"""

import subprocess
import tarfile
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.prove import takes_recordings
from tests.prove.proof import Proof, ProofContext
from tests.prove.takes_recordings import Package
from tests.prove.true_peak import CONVERTER_DB, converter_peak, exact_peak

Array = NDArray[np.float64]
PACKAGES: Final = {
    "asterisk-core-sounds-en-wav": "1.6.1-1, CC-BY-SA-3.0: 568 spoken words and sentences, 8 kHz",
    "asterisk-core-sounds-fr-wav": "1.6.1-1, CC-BY-SA-3.0: 561 of them by another voice",
    "asterisk-moh-opsound-wav": "2.03-1.1, CC-BY-SA: 5 pieces of music, 8 kHz",
    "hydrogen-data": "1.2.0~beta1+dfsg-1, GPL-2+: 104 drum hits",
    "hydrogen-drumkits": "2017.09.19~dfsg-1, GPL-2, CC: 754 hits of acoustic and electronic drums, mono and stereo",
    "puredata-doc": "0.53.1+ds-2+deb12u1, BSD: 3 recordings for examples",
    "sonic-pi-samples": "3.2.2~repack-8, CC0: 166 notes, hits, loops and noises",
}
"""Name, and the version that was looked at with its licence and what it holds."""
LEAST_FILES: Final = 800
MOST_FALSE: Final = 1
AT_ONCE: Final = 100
STEP: Final = 2.0**-15
NEAR, UNDER = 12.0 * STEP, 60.0 * STEP
LEAST_NEAR: Final = 3
LOOKED_AT: Final = {
    "noise_raised": 28,
    "polarity_flipped": 8,
    "clipped_before_coding": 8,
    "clipped": 6,
    "clipped_upstream": 4,
    "hum": 2,
}
"""Files told to be listened to, by code, as each was looked at. Noise: cymbals recorded softly, which are noise that a
trim raises, and three loops of hiss. Polarity: six cymbals and a tom under two microphones, late and upside down in one
band alone, and a bell whose highs are. Before coding: five words, evened out or by chance, a bass, a snare and a bell
of a circuit. Clipped: a few crests at exactly one level, mostly in kits that are cut elsewhere, and once in a word.
Hum: two soft cymbals over lines of 50 Hz."""
PEAK_FILES: Final = 150
MOST_FRAMES: Final = 60_000
PEAK_TIMES: Final = 32
UNDER_DB, OVER_DB = -0.12, 0.25


def is_cut(samples: Array) -> bool:
    """Return whether any channel, by (frames, channels), has more samples at an extreme than right under it."""
    return any(_piles_up(channel, sign) for channel in samples.T for sign in (1.0, -1.0))


def _piles_up(channel: Array, sign: float) -> bool:
    top, other = float((sign * channel).max(initial=0.0)), float((-sign * channel).max(initial=0.0))
    heights = np.abs(channel) if abs(top - other) <= NEAR else sign * channel
    near = int((heights > top - NEAR).sum())
    under = int((heights > top - UNDER).sum()) - near
    return near >= LEAST_NEAR and near > under


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Fetch, measure, and judge each alarm; where nothing can be fetched, it is said, and proves nothing."""
    measured = dict(_measured(bench))
    if not measured:
        yield Proof("recordings of openly licensed packages", "Debian", "a figure", "skipped: none fetched", ok=True)
        return
    count, least = len(measured), bench.count(LEAST_FILES)
    yield Proof(
        "recordings read",
        "Debian packages, named in the proof",
        f"at least {least}",
        f"{count}",
        count >= least,
    )
    again = [path for path, stem in measured.items() if "play_again" in _verdicts(stem)]
    wrong = [path for path in again if not is_cut(_read(path))]
    names = "".join(f"; {path.name}" for path in wrong[:3])
    figure, bound = f"{len(wrong)} of {len(again)}{names}", f"at most {MOST_FALSE}"
    yield Proof(
        "played again for a fault that isn't there",
        "samples at the extreme, numpy",
        bound,
        figure,
        len(wrong) <= MOST_FALSE,
    )
    yield from _listened(list(measured.values()))
    yield from _peaks(measured)


def _verdicts(stem: dict[str, Any]) -> set[str]:
    return {finding["verdict"] for finding in stem["findings"]}


def _listened(stems: list[dict[str, Any]]) -> Iterator[Proof]:
    """Count what is to be listened to by code; more than were looked at are new, and somebody has to look."""
    found = Counter(
        code
        for stem in stems
        for code in {finding["code"] for finding in stem["findings"] if finding["verdict"] == "listen"}
    )
    for code in sorted(found | Counter(LOOKED_AT)):
        bound = f"at most {LOOKED_AT.get(code, 0)}, looked at"
        ok = found[code] <= LOOKED_AT.get(code, 0)
        yield Proof(f"to be listened to: {code}", "each one looked at", bound, f"{found[code]} of {len(stems)}", ok)


def _peaks(measured: dict[Path, dict[str, Any]]) -> Iterator[Proof]:
    """Compare true peaks of short recordings with the exact waveform, and with a linear-phase converter."""
    short = [path for path, stem in measured.items() if 0 < stem["source"]["frames"] <= MOST_FRAMES]
    off, more = [], []
    for path in short[:: max(1, len(short) // PEAK_FILES)]:
        for channel, levels in zip(_read(path).T, measured[path]["levels"]["per_channel"], strict=True):
            if levels["true_peak_dbtp"] is not None:
                off.append(levels["true_peak_dbtp"] - 20.0 * np.log10(exact_peak(channel, PEAK_TIMES)))
                more.append(20.0 * np.log10(converter_peak(channel)) - levels["true_peak_dbtp"])
    low, high, most = min(off), max(off), max(more)
    figure, source = f"{low:+.3f} to {high:+.3f} dB", f"Fourier transform of the whole file, {PEAK_TIMES}x"
    claim = f"true peak of {len(off)} channels beside the exact one"
    yield Proof(claim, source, f"{UNDER_DB} to +{OVER_DB} dB", figure, low >= UNDER_DB and high <= OVER_DB)
    claim = "a linear-phase converter shows more than the meter, at most"
    yield Proof(claim, "scipy, Kaiser", f"{CONVERTER_DB} dB", f"{most:+.3f} dB", most <= CONVERTER_DB)


def _read(path: Path) -> Array:
    return np.asarray(soundfile.read(path, always_2d=True)[0], np.float64)


def _measured(bench: ProofContext) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Yield every recording that can be fetched and read, with what `measure` says of it."""
    for name in PACKAGES:
        try:
            paths = takes_recordings.fetched(Package(name, "apt", ""), bench.folder)
        except (OSError, subprocess.SubprocessError, tarfile.TarError, zipfile.BadZipFile) as error:
            print(f"{name}: skipped, can't be fetched ({error})", flush=True)
            continue
        paths = [path for path in paths if path.is_file()]
        paths = paths[:: max(1, len(paths) // bench.count(len(paths)))]
        for first in range(0, len(paths), AT_ONCE):
            some = paths[first : first + AT_ONCE]
            stems = bench.stager("measure", *some, "--json").json()["stems"]
            yield from ((path, stem) for path, stem in zip(some, stems, strict=True) if "refused" not in stem)
