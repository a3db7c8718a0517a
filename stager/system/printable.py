"""Names of files as they can be printed and stored, also where their bytes are no UTF-8."""

import os
from pathlib import PurePath


def shown(path: PurePath | str) -> str:
    r"""Return a path with `/` between its parts; bytes that are no UTF-8 stand as `\xNN`."""
    text = path.as_posix() if isinstance(path, PurePath) else path
    return os.fsencode(text).decode("utf-8", "backslashreplace")


def bytes_hex(path: PurePath | str) -> str | None:
    """Return the bytes of a path in hex where it is no UTF-8, else None."""
    text = path.as_posix() if isinstance(path, PurePath) else path
    raw = os.fsencode(text)
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.hex()
    return None


def on_screen(text: str) -> str:
    r"""Return a text that moves no cursor: control characters stand as `\xNN`."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)
