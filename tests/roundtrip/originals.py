"""The originals whose copies are compared: one for each thing that a file of the WAVE family can hold."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.support import layouts, wavefile
from tests.support.layouts import adtl, bext, cue, levl, peak, riff, smpl, w64, wide
from tests.support.signals import sine
from tests.support.wavefile import DOUBLE, FLOAT, PCM_16, PCM_20_IN_24, PCM_24, PCM_32, Array, Kind

TOML: Final = '[target]\nrule = "peak"\nlevel_db = -9.3\ntolerance_db = 0.0\nmax_boost_db = 40.0\ni_mean_it = true\n'
RATE: Final = 48_000
LATE: Final = 5_000_000_123
"""A time stamp above 2^32 frames."""
UMID: Final = bytes(range(64))
OLD_LINE: Final = b"A=ANALOGUE,M=stereo,T=an invented tape\r\n"
MARKS: Final = (4_800, 24_000)
LABELS: Final = (b"verse", b"chorus")
GUID: Final = bytes.fromhex("e3a1b2c3d4e5f60718293a4b5c6d7e8f")
"""An invented identifier of a W64 chunk."""

IXML: Final = b"<BWFXML><SCENE>1</SCENE><SPEED><AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH></SPEED></BWFXML>"
IXML_LOUD: Final = (
    b"<BWFXML><SCENE>1</SCENE><LOUDNESS><LOUDNESS_VALUE>-20.00</LOUDNESS_VALUE></LOUDNESS>"
    b"<BEXT><BWF_TIME_REFERENCE_LOW>7</BWF_TIME_REFERENCE_LOW><BWF_LOUDNESS_VALUE>-2000</BWF_LOUDNESS_VALUE>"
    b"<BWF_MAX_TRUE_PEAK_LEVEL>-100</BWF_MAX_TRUE_PEAK_LEVEL></BEXT></BWFXML>"
)
IXML_LEFT: Final = b"<BWFXML><SCENE>1</SCENE><BEXT><BWF_TIME_REFERENCE_LOW>7</BWF_TIME_REFERENCE_LOW></BEXT></BWFXML>"


def part(frames: int, channels: int, seed: int) -> Array:
    """Return tones and noise, another in every channel, that no whole number of blocks divides."""
    rng = np.random.default_rng(seed)
    tones = [sine(110.0 * 1.5**c, -30.0, frames / RATE)[:frames] for c in range(channels)]
    return np.column_stack(tones) + 0.01 * rng.uniform(-1, 1, (frames, channels))


def _fact(frames: int) -> tuple[bytes, bytes]:
    return b"fact", frames.to_bytes(4, "little")


def _fmt_5_1() -> bytes:
    fmt = wavefile.fmt_chunk(PCM_20_IN_24, RATE, 6)
    return fmt[:20] + layouts.MASK_5_1.to_bytes(4, "little") + fmt[24:]


def _float_peak(samples: Array) -> bytes:
    stored = samples.astype("<f4")
    tops = np.abs(stored).argmax(axis=0)
    return peak(1_900_000_000, *((float(abs(stored[top, c])), int(top)) for c, top in enumerate(tops)))


@dataclass(frozen=True)
class Original:
    """A file, its sample format, and the names of chunks besides the audio that its copy rewrites or drops."""

    content: bytes
    kind: Kind
    rewritten: tuple[bytes, ...] = ()
    dropped: tuple[bytes, ...] = ()


def _long_history(total: int) -> bytes:
    return b"A=PCM,T=" + b"x" * (total - 602 - 10) + b"\r\n"


def originals() -> dict[str, Original]:
    """Return every original by its file name."""
    mono, twice, long = part(20_001, 1, 1), part(20_003, 2, 2), part(4 * RATE + 77, 2, 3)
    v2 = bext(2, time_reference=LATE, umid=UMID, loudness=(-2000, 500, -100, -1800, -1900), history=OLD_LINE)
    unknown = ((b"zOdd", b"seven b"), (b"zNil", b""))
    double_peak = peak(1_900_000_000, (0.25, 7), (0.125, 9))
    return {
        "mono_24.wav": Original(riff(mono, PCM_24), PCM_24),
        "bext_v0.wav": Original(riff(mono, PCM_24, [(b"bext", bext(0, time_reference=LATE))]), PCM_24, (b"bext",)),
        "bext_v1.wav": Original(
            riff(twice, PCM_16, [(b"bext", bext(1, time_reference=LATE, umid=UMID, history=OLD_LINE))]),
            PCM_16,
            (b"bext",),
        ),
        "bext_v2.wav": Original(riff(long, PCM_24, [(b"bext", v2)]), PCM_24, (b"bext",)),
        "bext_behind.wav": Original(riff(mono, PCM_32, after=[(b"bext", v2), unknown[0]]), PCM_32, (b"bext",)),
        "bext_padded.wav": Original(
            riff(mono, PCM_24, [(b"bext", bext(1, time_reference=LATE, history=OLD_LINE + bytes(101)))]),
            PCM_24,
            (b"bext",),
        ),
        "bext_full.wav": Original(riff(mono, PCM_24, [(b"bext", bext(1, history=_long_history(10_239)))]), PCM_24),
        "bext_full_v2.wav": Original(
            riff(mono, PCM_24, [(b"bext", bext(2, history=_long_history(10_239)))]), PCM_24, (b"bext",)
        ),
        "bext_over.wav": Original(riff(mono, PCM_24, [(b"bext", bext(1, history=_long_history(12_001)))]), PCM_24),
        "ixml.wav": Original(riff(mono, PCM_24, after=[(b"iXML", IXML)]), PCM_24),
        "ixml_loud.wav": Original(riff(mono, PCM_24, [(b"iXML", IXML_LOUD)]), PCM_24, (b"iXML",)),
        "markers.wav": Original(
            riff(
                part(RATE, 2, 4),
                PCM_24,
                [(b"bext", bext(1, time_reference=LATE, history=OLD_LINE))],
                [(b"cue ", cue(*MARKS)), (b"LIST", adtl(*LABELS)), (b"smpl", smpl(100, 2_000))],
            ),
            PCM_24,
            (b"bext",),
        ),
        "odd.wav": Original(riff(mono, PCM_24, unknown, [(b"note", b"x"), *unknown]), PCM_24),
        "reserved.wav": Original(riff(mono, PCM_16, [(b"JUNK", bytes(28)), (b"PAD ", b"\x05" * 11)]), PCM_16),
        "surround.wav": Original(riff(part(20_005, 6, 5), PCM_20_IN_24, fmt=_fmt_5_1()), PCM_20_IN_24),
        "float_peak.wav": Original(
            riff(twice, FLOAT, [_fact(20_003), (b"PEAK", _float_peak(twice))]), FLOAT, (b"PEAK",)
        ),
        "double.wav": Original(riff(twice, DOUBLE, [_fact(20_003)], [(b"PEAK", double_peak)]), DOUBLE, (b"PEAK",)),
        "stale.wav": Original(
            riff(mono, PCM_24, [(b"levl", levl()), (b"MD5 ", bytes(range(16)))], [unknown[0]]),
            PCM_24,
            dropped=(b"levl", b"MD5 "),
        ),
        "wide.rf64": Original(
            wide(
                b"RF64",
                twice,
                PCM_24,
                before=[(b"bext", v2), unknown[0]],
                after=[(b"zBig", b"listed in the table"), (b"cue ", cue(*MARKS))],
                in_table=(b"zBig",),
                spare=bytes(24),
            ),
            PCM_24,
            (b"ds64", b"bext"),
        ),
        "wide.bw64": Original(
            wide(b"BW64", mono, PCM_24, before=[unknown[0]], after=[(b"chna", bytes(4)), (b"axml", b"<a/>")]),
            PCM_24,
            (b"ds64",),
        ),
        "wide.w64": Original(
            w64(twice, PCM_24, [(GUID, b"nine byte"), (b"junk", bytes(5))], [(b"zzzz", b"behind")]), PCM_24
        ),
        "plain.w64": Original(w64(part(20_000, 2, 6), PCM_24), PCM_24),
        "float.w64": Original(w64(mono, FLOAT, [(b"fact", (20_001).to_bytes(8, "little"))]), FLOAT),
    }
