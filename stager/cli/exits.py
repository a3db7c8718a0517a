"""Exit statuses, and the words that options take."""

from enum import IntEnum, StrEnum


class Exit(IntEnum):
    """What a script reads off a command."""

    DONE = 0
    """All done."""
    SOME = 1
    """Done, but a stem was refused or judged worse than allowed."""
    NOTHING_RAN = 2
    """Nothing could run: a bad project file, a missing folder, no permission, already watched."""
    INTERRUPTED = 130
    """Stopped by SIGINT."""
    PIPE_CLOSED = 141
    """Whoever read the output went away."""
    TERMINATED = 143
    """Stopped by SIGTERM (a watch then ends with 0)."""


class FailOn(StrEnum):
    """From which verdict on a run counts as failed."""

    LISTEN = "listen"
    PLAY_AGAIN = "play_again"


class ReferenceName(StrEnum):
    """Whose RMS at full scale reads 0 dBFS."""

    SINE = "sine"
    SQUARE = "square"


class LogKind(StrEnum):
    """How a watch writes its log."""

    LINES = "lines"
    JSON = "json"
