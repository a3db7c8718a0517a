"""libebur128 on files, `python -I ebur128.py FILE...`: integrated loudness, range, true peak, one JSON line a file.

Samples are decoded by soundfile, in blocks of float64 as the reader here gives them. Modes and calls are those of its
public header, ebur128.h.
"""

import ctypes
import json
import math
import sys

import numpy as np
import soundfile

INTEGRATED, RANGE, TRUE_PEAK = 1 << 2 | 1, 1 << 3 | 1 << 1 | 1, 1 << 5 | 1 << 4 | 1
BLOCK_FRAMES = 65_536
DOUBLES = ctypes.POINTER(ctypes.c_double)


def shared() -> ctypes.CDLL:
    """Open the shared library and say what its calls take.

    Raises:
        OSError: where it isn't installed.
    """
    opened = ctypes.CDLL("libebur128.so.1")
    state = ctypes.c_void_p
    opened.ebur128_init.restype = state
    opened.ebur128_init.argtypes = [ctypes.c_uint, ctypes.c_ulong, ctypes.c_int]
    opened.ebur128_add_frames_double.argtypes = [state, DOUBLES, ctypes.c_size_t]
    opened.ebur128_loudness_global.argtypes = [state, DOUBLES]
    opened.ebur128_loudness_range.argtypes = [state, DOUBLES]
    opened.ebur128_true_peak.argtypes = [state, ctypes.c_uint, DOUBLES]
    opened.ebur128_destroy.argtypes = [ctypes.POINTER(state)]
    return opened


def measured(meter: ctypes.CDLL, path: str) -> tuple[float, float, float]:
    """Return a file's loudness in LUFS, its range in LU and its true peak in dBTP."""
    with soundfile.SoundFile(path) as file:
        state = ctypes.c_void_p(meter.ebur128_init(file.channels, file.samplerate, INTEGRATED | RANGE | TRUE_PEAK))
        buffer, found, peaks = np.empty((BLOCK_FRAMES, file.channels)), ctypes.c_double(), []
        while frames := len(file.read(out=buffer)):
            meter.ebur128_add_frames_double(state, buffer.ctypes.data_as(DOUBLES), frames)
        meter.ebur128_loudness_global(state, found)
        loudness = found.value
        meter.ebur128_loudness_range(state, found)
        loudness_range = found.value
        for channel in range(file.channels):
            meter.ebur128_true_peak(state, channel, found)
            peaks.append(found.value)
    meter.ebur128_destroy(state)
    return loudness, loudness_range, 20 * math.log10(max(peaks))


if __name__ == "__main__":
    LIBRARY = shared()
    for each in sys.argv[1:]:
        print(json.dumps(measured(LIBRARY, each)))
