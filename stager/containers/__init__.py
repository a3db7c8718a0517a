"""The only door to audio files."""

from stager.containers.copying import CopyPlan, write_copy
from stager.containers.requantise import Gain, clip_guard_linear
from stager.containers.wave import WaveFile, fingerprint_of, open_wave

__all__ = ["CopyPlan", "Gain", "WaveFile", "clip_guard_linear", "fingerprint_of", "open_wave", "write_copy"]
