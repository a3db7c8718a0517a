"""Links from the page to files."""

from urllib.parse import unquote

import pytest

from stager.report.html_links import Links


@pytest.mark.parametrize("name", ["a b.wav", "javascript:alert(1).wav", "100%.wav", "a#b?c.wav", '"><x>.wav', "ä.wav"])
def test_links_decode_to_the_path(name: str) -> None:
    """A link begins with the way up, and percent-decodes to the file (RFC 3986, clause 2.1)."""
    link = Links("..").to(f"bounces/{name}")
    assert link.startswith("../bounces/")
    assert not set(link) & set('"<>#?: ')
    assert unquote(link) == f"../bounces/{name}"


def test_undecodable_names_have_no_link() -> None:
    r"""A name that a sidecar writes with `\xNN` is no path."""
    assert Links().to("bounces/a\\xff.wav") == ""
