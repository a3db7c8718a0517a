"""What a file's header says, without reading its samples."""

from dataclasses import dataclass
from pathlib import Path

from stager.containers.comparing import start_frames
from stager.containers.opening import open_audio
from stager.model import StreamInfo


@dataclass(frozen=True)
class HeaderFacts:
    """The stream of a file, and the time stamp of its first sample in frames of its own rate; None where it has none.

    Source of the time stamp: EBU Tech 3285, TimeReference, a count of samples since midnight.
    """

    info: StreamInfo
    start_frames: int | None


def header_facts(path: Path, *, settle_s: float = 0.0) -> HeaderFacts:
    """Read the header of a file of audio; it is opened for reading only, and its samples are not touched.

    Raises:
        StemError: where it is none, or not whole.
    """
    with open_audio(path, settle_s=settle_s) as file:
        return HeaderFacts(file.info, start_frames(file))
