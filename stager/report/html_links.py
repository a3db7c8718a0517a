"""Relative links from the page to the files of a song. Pure."""

from dataclasses import dataclass
from urllib.parse import quote


@dataclass(frozen=True)
class Links:
    """Links that start with `up`, the way from the page's folder to the project's."""

    up: str = ".."

    def to(self, path: str) -> str:
        r"""Return a link to a file, by its path from the project's folder; empty where the name has undecodable bytes.

        Such bytes are written as `\xNN` in sidecars. Source: RFC 3986, clause 2.1 (percent-encoding).
        """
        return "" if "\\x" in path else quote(f"{self.up}/{path}")
