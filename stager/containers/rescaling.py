"""Chunks that count frames, rewritten for a copy of another rate or length: the same moments in time.

Source: EBU Tech 3285 (`bext`, TimeReference counts frames since midnight); the open specification of the wave format
(`cue `: a count, then 24 bytes a point, its place in bytes 4 and 20; `fact`: the count of frames); the iXML
specification (FILE_SAMPLE_RATE, and time stamps in two halves of 32 bits).
"""

import re
import struct
from typing import Final

from stager.containers.bext import FIXED_BYTES, TIME_REFERENCE_AT
from stager.model import StreamInfo

CUE_POINT_BYTES: Final = 24
MOST: Final = 0xFFFFFFFF
XML_RATES: Final = (b"FILE_SAMPLE_RATE", b"TIMESTAMP_SAMPLE_RATE")
XML_STAMPS: Final = (
    (b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"),
    (b"BWF_TIME_REFERENCE_HIGH", b"BWF_TIME_REFERENCE_LOW"),
)
COUNTS_FRAMES: Final = {
    b"smpl": "smpl is carried, but its loops count frames of the original",
    b"plst": "plst is carried, but its lengths count frames of the original",
}
REGIONS: Final = "LIST is carried, but the lengths of its regions count frames of the original"
CHANNEL_MAP: Final = "chna is carried, but it names the channels of the original"


def rescaled(frames: int, before: StreamInfo, after: StreamInfo) -> int:
    """Return the frame of the copy at the same moment, rounded to the nearest, halves up."""
    return (2 * frames * after.sample_rate_hz + before.sample_rate_hz) // (2 * before.sample_rate_hz)


def rescaled_bext(payload: bytes, before: StreamInfo, after: StreamInfo) -> bytes:
    """Return a `bext` payload whose time reference counts frames of the copy."""
    if len(payload) < FIXED_BYTES or before.sample_rate_hz == after.sample_rate_hz:
        return payload
    frames = int.from_bytes(payload[TIME_REFERENCE_AT : TIME_REFERENCE_AT + 8], "little")
    field = (rescaled(frames, before, after) & ((1 << 64) - 1)).to_bytes(8, "little")
    return payload[:TIME_REFERENCE_AT] + field + payload[TIME_REFERENCE_AT + 8 :]


def rescaled_cue(payload: bytes, before: StreamInfo, after: StreamInfo) -> bytes:
    """Return a `cue ` payload whose points lie at the same moments."""
    fresh = bytearray(payload)
    points = (len(payload) - 4) // CUE_POINT_BYTES
    for point in range(min(points, int.from_bytes(payload[:4], "little"))):
        for place in (4 + CUE_POINT_BYTES * point + 4, 4 + CUE_POINT_BYTES * point + 20):
            (frames,) = struct.unpack_from("<I", fresh, place)
            struct.pack_into("<I", fresh, place, min(rescaled(frames, before, after), MOST))
    return bytes(fresh)


def rescaled_fact(payload: bytes, after: StreamInfo) -> bytes:
    """Return a `fact` payload with the copy's count of frames."""
    return struct.pack("<I", min(after.frames, MOST)) + payload[4:]


def rescaled_xml(xml: bytes, before: StreamInfo, after: StreamInfo) -> bytes:
    """Return an iXML text whose rate and time stamps are the copy's."""
    if before.sample_rate_hz == after.sample_rate_hz:
        return xml
    for name in XML_RATES:
        xml = _with_text(xml, name, str(after.sample_rate_hz).encode())
    for high, low in XML_STAMPS:
        found = [re.search(rb"<%b>\s*(\d{1,10})\s*</" % name, xml) for name in (high, low)]
        if found[0] and found[1]:
            frames = rescaled((int(found[0][1]) << 32) + int(found[1][1]), before, after)
            xml = _with_text(xml, high, str(frames >> 32).encode())
            xml = _with_text(xml, low, str(frames & MOST).encode())
    return xml


def _with_text(xml: bytes, name: bytes, text: bytes) -> bytes:
    return re.sub(rb"(<%b>)\s*\d+\s*(</%b>)" % (name, name), rb"\g<1>" + text + rb"\g<2>", xml)
