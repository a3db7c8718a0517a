"""Says when a file has rested long enough to be read: arithmetic on what was seen when, no clock and no disk."""

from dataclasses import dataclass, field

from stager.model import Fingerprint


@dataclass
class Settling:
    """Files that were seen to change, and since when each has been as it is.

    A file is ready once its fingerprint has stayed the same for `settle_s`. Times are of a clock that never runs back.
    """

    settle_s: float
    _since: dict[str, tuple[Fingerprint, float]] = field(default_factory=dict)

    def is_ready(self, name: str, fingerprint: Fingerprint, now_s: float) -> bool:
        """Take in a look at a file; say whether it has rested for long enough."""
        known = self._since.get(name)
        if known is None or known[0] != fingerprint:
            self._since[name] = (fingerprint, now_s)
            return self.settle_s <= 0.0
        return now_s - known[1] >= self.settle_s

    def forget(self, name: str) -> None:
        """Start over with this file, should it be seen again."""
        self._since.pop(name, None)
