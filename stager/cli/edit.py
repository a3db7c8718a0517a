"""Shows a change of a project file, asks, writes it, and takes the last one back."""

import difflib
import json
import sys
from collections.abc import Callable, Sequence
from hashlib import sha256
from typing import Final

from stager.cli.exits import Exit
from stager.cli.screen import say
from stager.errors import ConfigError
from stager.project import Project
from stager.project.load import check_text
from stager.system.files import make_folder, read_whole, write_whole
from stager.system.printable import shown

BEFORE_NAME: Final = "before_edit.toml"
EDIT_NAME: Final = "edit.json"
"""In the state folder: the file's bytes before the last change, and the hash of what was written."""


def change(project: Project, edit: Callable[[str], str], *, yes: bool) -> Exit:
    """Show what `edit` makes of the project file, and write it once that is confirmed.

    Raises:
        ConfigError: where the file can't be read, or would be invalid afterwards.
    """
    file = project.file.resolve()
    before = read_whole(file)
    if before is None:
        raise ConfigError(f"{shown(file)}: expected a project file that can be read")
    mark = "\ufeff" if before.startswith(b"\xef\xbb\xbf") else ""
    old = before.decode("utf-8-sig")
    new = edit(old)
    if new == old:
        say("Nothing to change: it stands in the file already.")
        return Exit.DONE
    check_text(file, new)
    lines = _difference(shown(file.name), old, new)
    if not yes and not _confirmed(lines):
        return Exit.SOME
    if yes:
        print("\n".join(lines))
    after = (mark + new).encode()
    make_folder(project.state)
    write_whole(project.state / BEFORE_NAME, before)
    write_whole(project.state / EDIT_NAME, json.dumps({"after_sha256": sha256(after).hexdigest()}).encode())
    write_whole(file, after)
    say(f"Wrote {shown(file)}; --undo takes it back.")
    return Exit.DONE


def undo(project: Project) -> Exit:
    """Write the bytes from before the last change.

    Raises:
        ConfigError: where there was no change, or the file was changed since.
    """
    file = project.file.resolve()
    before, note = read_whole(project.state / BEFORE_NAME), read_whole(project.state / EDIT_NAME)
    if before is None or note is None:
        raise ConfigError(f"{shown(file)}: expected a change to take back, found none")
    if sha256(read_whole(file) or b"").hexdigest() != _after_sha256(note):
        raise ConfigError(
            f"{shown(file)}: expected it as the last change left it, found it changed since: left as it is"
        )
    write_whole(file, before)
    say(f"{shown(file)} is as it was before the last change.")
    return Exit.DONE


def _after_sha256(note: bytes) -> str | None:
    try:
        return str(json.loads(note)["after_sha256"])
    except (ValueError, KeyError, TypeError):
        return None


def _difference(name: str, old: str, new: str) -> list[str]:
    lines = difflib.unified_diff(old.splitlines(), new.splitlines(), name, f"{name}, changed", lineterm="")
    return list(lines)


def _confirmed(lines: Sequence[str]) -> bool:
    """Return whether the person accepts these lines of change; no where nobody can be asked."""
    for line in lines:
        say(line)
    if not (sys.stdin and sys.stdin.isatty()):
        say("Nothing was written: --yes writes it.")
        return False
    print("Write this? [y/N] ", end="", file=sys.stderr, flush=True)
    if sys.stdin.readline().strip().casefold() in ("y", "yes"):
        return True
    say("Nothing was written.")
    return False
