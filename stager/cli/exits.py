"""Exit statuses, and the choices of options."""

from enum import IntEnum, StrEnum

QUIET: list[bool] = []
"""Filled by `--quiet`: messages are left out, results, errors and cautions are not."""


class Exit(IntEnum):
    """The exit statuses of all commands."""

    DONE = 0
    """All done."""
    SOME = 1
    """Done, but a stem was refused or judged worse than allowed."""
    NOTHING_RAN = 2
    """Nothing could run: a bad project file, a missing folder, no permission, already watched."""
    INTERRUPTED = 130
    """Stopped by SIGINT."""
    PIPE_CLOSED = 141
    """The reader of the output closed its pipe."""
    TERMINATED = 143
    """Stopped by SIGTERM (a watch then ends with 0)."""


class FailOn(StrEnum):
    """The verdict from which a run counts as failed."""

    LISTEN = "listen"
    PLAY_AGAIN = "play_again"


class ReferenceName(StrEnum):
    """The signal whose RMS at full scale reads 0 dBFS."""

    SINE = "sine"
    SQUARE = "square"


class LogKind(StrEnum):
    """The format of a watch's log."""

    LINES = "lines"
    JSON = "json"


class ServiceKind(StrEnum):
    """What starts a watch at log-in: Linux's user services, macOS's launch agents, Windows' Task Scheduler."""

    SYSTEMD = "systemd"
    LAUNCHD = "launchd"
    WINDOWS = "windows"
