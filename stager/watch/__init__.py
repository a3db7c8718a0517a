"""The daemon: events are hints, scans are the truth, and nothing is read before it has settled."""

from stager.watch.daemon import Daemon, check_parents
from stager.watch.status import Status, age_s, read_status
from stager.watch.voice import Voice, Word

__all__ = ["Daemon", "Status", "Voice", "Word", "age_s", "check_parents", "read_status"]
