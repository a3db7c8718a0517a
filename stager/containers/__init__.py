"""The only place that opens audio files: reads their headers and samples, writes their copies."""

from stager.containers.bext import LoudnessFields
from stager.containers.comparing import chunk_differences, start_frames
from stager.containers.confirming import CopyCheck, confirm_copy
from stager.containers.facts import HeaderFacts, header_facts
from stager.containers.opening import open_audio
from stager.containers.padded import Padding, padded_difference, padded_info, padded_pieces, wave_head
from stager.containers.requantise import Gain, clip_guard_linear
from stager.containers.rescaling import rescaled
from stager.containers.source import BLOCK_SAMPLES, AudioFile, KeptBytes, fingerprint_of
from stager.containers.writing import CopyPlan, FinalFigures, Written, fill_fields, write_copy

__all__ = [
    "BLOCK_SAMPLES",
    "AudioFile",
    "CopyCheck",
    "CopyPlan",
    "FinalFigures",
    "Gain",
    "HeaderFacts",
    "KeptBytes",
    "LoudnessFields",
    "Padding",
    "Written",
    "chunk_differences",
    "clip_guard_linear",
    "confirm_copy",
    "fill_fields",
    "fingerprint_of",
    "header_facts",
    "open_audio",
    "padded_difference",
    "padded_info",
    "padded_pieces",
    "rescaled",
    "start_frames",
    "wave_head",
    "write_copy",
]
