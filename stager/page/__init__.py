"""The recording-room page: the last takes and stems of a watch, for a tablet in the room. It only reads."""

from stager.page.address import PageOptions
from stager.page.code import qr_lines
from stager.page.page import Page

__all__ = ["Page", "PageOptions", "qr_lines"]
