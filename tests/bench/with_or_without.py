"""Runs the command with its comparison of drafts with originals, or without: `with_or_without.py without stage F`.

Both sides are started through this script, so that they load the same and differ in nothing else. The product has no
switch for it: a copy that nobody compared is not published.
"""

import sys

import stager.staging.render as stager_render
from stager.cli import main


class NoCheck:
    """Takes the place of the comparison and finds nothing."""

    def __init__(self, _plan: object, _copy: object) -> None:
        """Look at nothing."""

    def update(self, block: object) -> None:
        """Take in a block of the copy."""

    def difference(self) -> str | None:
        """Return no difference."""
        return None


if __name__ == "__main__":
    side = sys.argv.pop(1)
    if side not in ("with", "without"):
        sys.exit(f"expected with or without, found {side}")
    if side == "without":
        stager_render.CopyCheck = NoCheck  # type: ignore[assignment,misc]
    sys.exit(main())
