"""The QR code in half blocks, read by another reader."""

import numpy as np
import pytest
import zxingcpp

from stager.page.code import qr_lines


@pytest.mark.parametrize(
    "text", ["http://192.0.2.7:8537/?token=abcdefghijklmnopqrstuv", "http://[2001:db8::1]:80/", "x"]
)
def test_another_reader_reads_it(text: str) -> None:
    """Each character is two modules, one above the other, light where there is a block."""
    lines = qr_lines(text)
    rows = [[char in blocks for char in line] for line in lines for blocks in ("█▀", "█▄")]
    picture = np.kron(np.array(rows), np.ones((6, 6))).astype(np.uint8) * 255
    assert [found.text for found in zxingcpp.read_barcodes(picture)] == [text]


def test_it_fits_a_terminal() -> None:
    """The code of a long address fits 80 columns and 24 lines with the line above it."""
    lines = qr_lines("http://[2001:db8:1111:2222:3333:4444:5555:6666]:65535/?token=" + "a" * 22)
    assert len(lines) <= 23
    assert {len(line) for line in lines} == {len(lines[0])}
    assert len(lines[0]) <= 80
