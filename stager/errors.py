"""Every error of this package, on one tree.

StagerError
├── StemError      this stem only: recorded with its refusal code, the batch goes on
│   ├── UnreadableStem     "unreadable"          not audio, no frames, no permission on the file
│   ├── UnsupportedStem    "unsupported"         audio, but of a kind that is not staged
│   ├── TruncatedStem      "truncated"           no longer growing, and its header promises more
│   ├── NotFiniteStem      "not_finite"          NaN or infinity among the samples
│   ├── StillGrowingStem   "still_growing"       its writer has not finished
│   ├── ChangedStem        "changed_while_read"  another file after the last read than before the first
│   ├── WouldClip          "would_clip"          the result does not fit the integer grid
│   ├── StepFailed         "step_failed"         a plug-in crashed, hung, or returned what is no audio
│   ├── NameRefused        "name_refused"        no copy or sidecar can carry this name
│   ├── WorkerLost         "worker_lost"         every worker of a cluster that had it at work died
│   ├── CopyWrong          "copy_wrong"          a finished copy is not original times gain: it is not published
│   └── InternalError      "internal_error"      an unexpected error in this package or a library
├── ConfigError    nothing was started
├── PackRefused    the set can't be packed as it is; nothing was written
├── Stopped        the process was told to stop, and this work ended early
├── ClusterFailed  the machines that were asked to help can't be used, or went away
└── PlaceError     the place is broken: that project pauses or stops
    ├── NoSpace            the disk is full
    ├── PlaceGone          a folder is not there
    ├── PlaceRefused       permission on a folder is missing
    └── AlreadyWatched     another process stages this project
"""

from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from traceback import format_exception
from typing import ClassVar


class StagerError(Exception):
    """The root: catching it catches everything that this package raises on purpose."""


class StemError(StagerError):
    """One stem can't be staged; `says` is the sentence about it: what was expected and what was found.

    As text an error begins with `name`, the file that it is about; the record of a refusal has the stem's path beside
    `says`, so that no name stands there twice. `name` is empty where `says` itself names another file or folder.
    `traceback` is that of an unexpected error, else empty.
    """

    code: ClassVar[str]
    traceback = ""

    def __init__(self, name: str, says: str) -> None:
        super().__init__(name, says)
        self.name, self.says = name, says

    def __str__(self) -> str:
        """Return the sentence with the file's name before it."""
        return f"{self.name}: {self.says}" if self.name else self.says


class UnreadableStem(StemError):
    """Not audio, without frames, or without permission on the file."""

    code = "unreadable"


class UnsupportedStem(StemError):
    """Audio, but in a container or encoding that is not staged."""

    code = "unsupported"


class TruncatedStem(StemError):
    """No longer growing, and its header promises more than the file holds; the message names the seconds there are."""

    code = "truncated"


class NotFiniteStem(StemError):
    """NaN or infinity among the samples; the message names the first place."""

    code = "not_finite"


class StillGrowingStem(StemError):
    """Its writer has not finished, or finished less than a settling time ago."""

    code = "still_growing"


class ChangedStem(StemError):
    """The file after the last read is not the one from before the first."""

    code = "changed_while_read"


class WouldClip(StemError):
    """The result would not fit the integer grid of the copy."""

    code = "would_clip"


class StepFailed(StemError):
    """A plug-in crashed, hung, took too much memory, or returned what can't be used; the message names it."""

    code = "step_failed"


class NameRefused(StemError):
    """No copy or sidecar can carry this name."""

    code = "name_refused"


class WorkerLost(StemError):
    """Every worker of a cluster that had it at work died; the message says how many did."""

    code = "worker_lost"


class CopyWrong(StemError):
    """A finished copy differs from original times gain by more than dither and rounding; nothing was published."""

    code = "copy_wrong"


class InternalError(StemError):
    """An unexpected error in this package or a library, while one stem was dealt with; `traceback` says where."""

    code = "internal_error"

    @classmethod
    def of(cls, name: object, error: BaseException) -> "InternalError":
        """Return the error of the stem with this name for an exception that was not foreseen."""
        found = cls(str(name), f"expected no error inside stager, found {type(error).__name__}: {error}")
        found.traceback = "".join(format_exception(error))
        return found


@contextmanager
def internal_errors(name: object, *passing: type[Exception]) -> Iterator[None]:
    """Turn an unforeseen exception into an `InternalError` of this stem; our own, cancelling and `passing` ones pass.

    Raises:
        InternalError: where there was one.
    """
    try:
        yield
    except Exception as error:
        if isinstance(error, (StagerError, CancelledError, *passing)):
            raise
        raise InternalError.of(name, error) from error


class ConfigError(StagerError):
    """The project file or the call is wrong; nothing was started."""


class PackRefused(StagerError):
    """The set can't be packed as it is, or not into this place; nothing was written there."""


class Stopped(StagerError):
    """The process was told to stop; running work ended between two blocks and left no file."""


class ClusterFailed(StagerError):
    """The machines of a cluster can't be used, or went away; what was staged until then stays."""


class PlaceError(StagerError):
    """A folder or a disk is broken: the project pauses or stops, the stems are not to blame."""


class NoSpace(PlaceError):
    """The disk is full."""


class PlaceGone(PlaceError):
    """A folder is not there."""


class PlaceRefused(PlaceError):
    """Permission on a folder is missing."""


class AlreadyWatched(PlaceError):
    """Another process holds this project's lock."""
