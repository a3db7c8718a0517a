"""The files of the page: nothing in them that its own policy forbids, nothing that makes markup of a name."""

import re
from importlib.resources import files

import pytest

from stager.page.site import ASSETS

CONTENT = {name: files("stager.page").joinpath("assets", name).read_text("utf-8") for name in ASSETS}


@pytest.mark.parametrize("name", ASSETS)
def test_nothing_is_asked_of_others(name: str) -> None:
    """No address of another machine stands in a file, but for the names of XML."""
    assert (
        re.findall(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]", CONTENT[name].replace("http://www.w3.org/2000/svg", "")) == []
    )


def test_a_name_is_never_markup() -> None:
    """The script builds elements and sets text; it has no way to parse a text as markup or as code."""
    assert not re.search(
        r"innerHTML|outerHTML|insertAdjacent|document\.write|DOMParser|eval\(|Function\(", CONTENT["page.js"]
    )


def test_the_policy_lets_all_of_it_in() -> None:
    """No script, style or handler stands in the page itself."""
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?! src=\"/)|javascript:", CONTENT["page.html"])
