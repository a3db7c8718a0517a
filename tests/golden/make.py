"""Makes `golden.json` anew: `python -m tests.golden.make`, where a rule was changed on purpose."""

import json
import tempfile
from pathlib import Path

from tests.golden.test_golden import GOLDEN, TOML, staged
from tests.support.command import Command
from tests.support.song import Song


def main() -> None:
    """Stage the originals in a folder of their own and keep what came of it."""
    with tempfile.TemporaryDirectory(prefix="golden-") as folder:
        found = staged(Song.made(Command(), Path(folder) / "song", TOML))
    GOLDEN.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", "utf-8")


if __name__ == "__main__":
    main()
