"""The song rendered once for all tests of this room."""

from collections.abc import Callable
from functools import cache

import pytest

from stager.demo.song import part_named, render
from stager.demo.synthesis import Codes


@cache
def _codes(name: str) -> Codes:
    codes = render(part_named(name))
    codes.flags.writeable = False
    return codes


@pytest.fixture(scope="session")
def rendered() -> Callable[[str], Codes]:
    """Return stems by file name as codes, (frames, channels), each rendered once and read only."""
    return _codes
