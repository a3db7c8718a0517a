"""The daemon: events are hints, scans are the truth, and nothing is read before it has settled."""

from stager.watch.daemon import Daemon, check_parents
from stager.watch.status import Status, read_status
from stager.watch.voice import Voice, Word

__all__ = ["Daemon", "Status", "Voice", "Word", "check_parents", "read_status"]
