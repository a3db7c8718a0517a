"""Names are printable whatever bytes they hold, and can be told apart again."""

import os
from pathlib import PurePath

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.system.printable import bytes_hex, on_screen, shown

UNDECODABLE = os.fsdecode(b"ki\xffck.wav")

SHOWN = {
    "plain": ("drums/kick.wav", "drums/kick.wav"),
    "accents stay": ("caf\u00e9.wav", "caf\u00e9.wav"),
    "a path gets slashes": (PurePath("drums", "kick.wav"), "drums/kick.wav"),
    "bytes that are no UTF-8": (UNDECODABLE, r"ki\xffck.wav"),
    "in a path as well": (PurePath("a") / UNDECODABLE, r"a/ki\xffck.wav"),
}

ON_SCREEN = {
    "plain": ("a b", "a b"),
    "accents stay": ("\u00e9\u4e2d", "\u00e9\u4e2d"),
    "escape sequence": ("a\x1b[2Jb", r"a\x1b[2Jb"),
    "line break": ("a\nb\rc", r"a\nb\rc"),
    "bell and null": ("\a\0", r"\x07\x00"),
    "turned writing direction": ("a\u202eb", r"a\u202eb"),
    "half a character": (UNDECODABLE, r"ki\udcffck.wav"),
}


@pytest.mark.parametrize(("name", "expected"), SHOWN.values(), ids=SHOWN.keys())
def test_shown(name: PurePath | str, expected: str) -> None:
    """A name is given as text that any file and any terminal can take."""
    assert shown(name) == expected


@pytest.mark.parametrize("name", ["kick.wav", "caf\u00e9.wav", PurePath("drums", "kick.wav")])
def test_decodable_name_has_no_bytes(name: PurePath | str) -> None:
    """Where the printed name says it all, no bytes are kept."""
    assert bytes_hex(name) is None


@pytest.mark.parametrize("name", [UNDECODABLE, PurePath(UNDECODABLE)])
def test_undecodable_name_keeps_its_bytes(name: PurePath | str) -> None:
    """The bytes of a name that is no UTF-8 are kept, so that its file can be found again."""
    assert bytes.fromhex(bytes_hex(name) or "") == b"ki\xffck.wav"


@settings(deadline=None)
@given(raw=st.binary(min_size=1, max_size=40).filter(lambda raw: b"\0" not in raw and b"/" not in raw))
def test_any_bytes_can_be_shown(raw: bytes) -> None:
    """Whatever bytes the system gives as a name, what is shown can be written as UTF-8, and the bytes come back."""
    name = os.fsdecode(raw)
    assert shown(name).encode("utf-8")
    kept = bytes_hex(name)
    assert (bytes.fromhex(kept) if kept else shown(name).encode()) == raw


@pytest.mark.parametrize(("text", "expected"), ON_SCREEN.values(), ids=ON_SCREEN.keys())
def test_on_screen(text: str, expected: str) -> None:
    """No name moves the cursor, clears the screen or turns the writing around."""
    assert on_screen(text) == expected


@settings(deadline=None)
@given(text=st.text())
def test_anything_on_screen_is_printable(text: str) -> None:
    """Whatever the text, all that reaches the screen is printable."""
    assert on_screen(text).isprintable()
