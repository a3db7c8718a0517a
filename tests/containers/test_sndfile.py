"""The door to the library: what is refused before it is asked, what it writes, and what it lost on the way."""

import hashlib
import io
import os
import resource
import struct
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from stager.containers import Gain, open_audio
from stager.containers.sndfile import ForeignFile, write_foreign
from stager.errors import CopyWrong, NoSpace, PlaceError, StemError, TruncatedStem, UnreadableStem, UnsupportedStem
from stager.model import Encoding, StreamInfo
from stager.model.runs import no_runs
from tests.support.folders import written
from tests.support.foreign_files import with_aiff_chunks, with_caf_chunks, with_flac_blocks
from tests.support.signals import Samples, white_noise

WHOLE = Gain(1.0, dithered=False, source_sha256="ab", silences=no_runs())
HALF = Gain(0.5, dithered=False, source_sha256="ab", silences=no_runs())
KINDS = [
    ("AIFF", "PCM_16"),
    ("AIFF", "PCM_24"),
    ("AIFF", "FLOAT"),
    ("CAF", "PCM_32"),
    ("CAF", "DOUBLE"),
    ("FLAC", "PCM_24"),
]


def made(form: str, subtype: str, samples: Samples, endian: str = "FILE", **tags: str) -> bytes:
    """A file by the library, with tags."""
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", 48_000, samples.shape[1], subtype, endian, form) as sound:
        for name, text in tags.items():
            setattr(sound, name, text)
        sound.write(samples)
    return out.getvalue()


def copied(folder: Path, content: bytes, gain: Gain = HALF, **changes: object) -> tuple[Path, tuple[str, ...]]:
    """Copy a file through the door; every byte of the original must have passed the digest."""
    path, out, seen = written(folder / "a", content), folder / "b", hashlib.sha256()
    with open_audio(path, settle_s=0.0) as source, out.open("w+b") as file:
        assert isinstance(source, ForeignFile)
        lost = write_foreign(source, source.info.model_copy(update=changes), gain, file, seen)
    assert seen.hexdigest() == hashlib.sha256(content).hexdigest()
    return out, lost


def read_back(path: Path) -> tuple[StreamInfo, Samples]:
    with open_audio(path, settle_s=0.0) as source:
        return source.info, np.concatenate(list(source.blocks()))


@pytest.mark.parametrize(("form", "subtype"), KINDS)
def test_reading_is_exact(tmp_path: Path, form: str, subtype: str) -> None:
    """Samples are those that the library gives, the stream is what its header says, whatever the blocks."""
    content = made(form, subtype, white_noise(100_003, 3))
    info, samples = read_back(written(tmp_path / "a", content))
    expected, _ = soundfile.read(io.BytesIO(content))
    assert np.array_equal(samples, expected)
    assert (info.encoding.value, info.channels, info.sample_rate_hz, info.frames) == (subtype, 3, 48_000, 100_003)
    assert info.valid_bits == (int(subtype[4:]) if subtype.startswith("PCM") else 0)


@pytest.mark.parametrize(("form", "subtype"), KINDS)
def test_a_gain_of_one_changes_no_sample(tmp_path: Path, form: str, subtype: str) -> None:
    """Through the door and back every sample is the same: nothing is floored or scaled on the way."""
    content = made(form, subtype, white_noise(5_000, 2))
    out, _ = copied(tmp_path, content, WHOLE)
    assert np.array_equal(read_back(out)[1], soundfile.read(io.BytesIO(content), always_2d=True)[0])


def test_codes_are_rounded_half_to_even(tmp_path: Path) -> None:
    """Half of 1, 3, 5 and -1 steps is 0, 2, 2 and 0: not floored, as the library does with floats (IEEE 754)."""
    codes = np.array([[1], [3], [5], [-1], [-3], [7]])
    out, _ = copied(tmp_path, made("FLAC", "PCM_24", codes / 2.0**23))
    assert (read_back(out)[1] * 2.0**23).ravel().tolist() == [0, 2, 2, 0, -2, 4]


@pytest.mark.parametrize("endian", ["BIG", "LITTLE"])
@pytest.mark.parametrize("form", ["AIFF", "CAF"])
def test_byte_order_stays(tmp_path: Path, form: str, endian: str) -> None:
    """A copy has the byte order of its original."""
    out, _ = copied(tmp_path, made(form, "PCM_16", white_noise(100), endian))
    assert soundfile.info(out).endian == soundfile.info(tmp_path / "a").endian


@pytest.mark.parametrize("form", ["AIFF", "CAF"])
def test_no_clock_in_float_files(tmp_path: Path, form: str) -> None:
    """The library's PEAK chunk would hold the clock; it is not written."""
    out, _ = copied(tmp_path, made(form, "FLOAT", white_noise(100)))
    assert b"PEAK" not in out.read_bytes()
    assert b"peak" not in out.read_bytes()


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_tags_are_carried(tmp_path: Path, form: str) -> None:
    """Title, artist and comment are written again, and none is said to be lost."""
    tags = {"title": "Salt Road", "artist": "nobody", "comment": "first"}
    out, lost = copied(tmp_path, made(form, "PCM_24", white_noise(100), **tags))
    with soundfile.SoundFile(out) as sound:
        assert {name: getattr(sound, name) for name in tags} == tags
    assert lost == ()


def test_a_container_that_cannot_hold_it(tmp_path: Path) -> None:
    """FLAC holds no float: refused, by the name of both."""
    with pytest.raises(UnsupportedStem, match="expected an encoding that FLAC holds, found FLOAT"):
        copied(tmp_path, made("FLAC", "PCM_24", white_noise(100)), encoding=Encoding.FLOAT, valid_bits=0)


def _empty_aiff(codec: bytes) -> bytes:
    comm = struct.pack(">hIh", 1, 1000, 16) + bytes.fromhex("400ebb80000000000000") + codec
    body = b"AIFC" + b"COMM" + struct.pack(">I", len(comm)) + comm + b"SSND" + struct.pack(">I", 16) + bytes(16)
    return b"FORM" + struct.pack(">I", len(body)) + body


def _opened(path: Path, content: bytes) -> None:
    with open_audio(written(path, content), settle_s=0.0):
        pass


def test_a_codec_is_judged_before_the_library_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A compressed file never reaches the decoder, which has known holes in rare codecs."""

    def asked(*_: object, **__: object) -> None:
        raise AssertionError("the library was asked")

    monkeypatch.setattr(soundfile, "SoundFile", asked)
    with pytest.raises(UnsupportedStem, match="expected integer PCM or float, found AIFC with ima4"):
        _opened(tmp_path / "a", _empty_aiff(b"ima4"))


def test_eight_bits_are_refused(tmp_path: Path) -> None:
    """PCM of 8 bits is no encoding of a stem."""
    with pytest.raises(UnsupportedStem, match="found PCM_S8 in 1 channels"):
        _opened(tmp_path / "a", made("AIFF", "PCM_S8", white_noise(100)))


def test_too_many_channels(tmp_path: Path) -> None:
    """33 channels are no stem."""
    with pytest.raises(UnsupportedStem, match="found PCM_16 in 33 channels"):
        _opened(tmp_path / "a", made("CAF", "PCM_16", white_noise(100, 33)))


def test_a_header_and_rubbish(tmp_path: Path) -> None:
    """What the library can't open is `unreadable`, in its own words."""
    with pytest.raises(UnreadableStem, match="expected audio, the decoder found"):
        _opened(tmp_path / "a", b"fLaC" + bytes(400))


@pytest.mark.parametrize("part", [0.3, 0.6, 0.95])
def test_a_flac_file_that_breaks_off(tmp_path: Path, part: float) -> None:
    """Its header is whole, so it opens; reading it shows how far the audio goes."""
    content = made("FLAC", "PCM_24", white_noise(48_000))
    path = written(tmp_path / "a", content[: int(part * len(content))])
    with pytest.raises(TruncatedStem, match=r"expected 1\.00 s, the audio breaks off at 0\.\d\d s"):
        read_back(path)


def test_damage_inside_flac_is_one_refusal(tmp_path: Path) -> None:
    """A frame that can't be decoded ends in a refusal, not in samples of something else."""
    content = bytearray(made("FLAC", "PCM_24", white_noise(48_000)))
    content[len(content) // 2 : len(content) // 2 + 64] = bytes(64)
    with pytest.raises(StemError):
        read_back(written(tmp_path / "a", bytes(content)))


def _info(*pairs: tuple[bytes, bytes]) -> bytes:
    return struct.pack(">I", len(pairs)) + b"".join(key + b"\0" + text + b"\0" for key, text in pairs)


def _comments(*fields: bytes) -> tuple[int, bytes]:
    texts = b"".join(struct.pack("<I", len(field)) + field for field in fields)
    return 4, struct.pack("<I", 4) + b"test" + struct.pack("<I", len(fields)) + texts


def _plain(form: str) -> bytes:
    return made(form, "PCM_24", white_noise(100, 2))


LAYOUT = struct.pack(">3I", 101 << 16 | 2, 0, 0)
LOST = {
    "CAF layout of speakers": (lambda: with_caf_chunks(_plain("CAF"), (b"chan", LAYOUT)), {"chan"}),
    "CAF tag that is not written": (
        lambda: with_caf_chunks(_plain("CAF"), (b"info", _info((b"title", b"Salt Road"), (b"tempo", b"120")))),
        {"tag tempo"},
    ),
    "AIFF, two comments": (
        lambda: with_aiff_chunks(_plain("AIFF"), (b"ANNO", b"first"), (b"ANNO", b"second")),
        {"tag ANNO=first"},
    ),
    "AIFF, the same comment twice": (
        lambda: with_aiff_chunks(_plain("AIFF"), (b"ANNO", b"same"), (b"ANNO", b"same")),
        {"tag ANNO=same"},
    ),
    "AIFF, text that is no UTF-8": (
        lambda: with_aiff_chunks(_plain("AIFF"), (b"NAME", b"Caf\xe9")),
        {"tag NAME=Caf\ufffd"},
    ),
    "FLAC, two artists": (
        lambda: with_flac_blocks(_plain("FLAC"), _comments(b"ARTIST=first", b"TITLE=Salt Road", b"artist=second")),
        {"tag ARTIST=second"},
    ),
    "FLAC, tag that is not written": (
        lambda: with_flac_blocks(_plain("FLAC"), _comments(b"MOOD=dry", b"Comment=carried")),
        {"tag MOOD"},
    ),
}


@pytest.mark.parametrize(("content", "expected"), LOST.values(), ids=LOST.keys())
def test_what_the_copy_lacks_is_named(tmp_path: Path, content: Callable[[], bytes], expected: set[str]) -> None:
    """Chunks and tags of the original that the finished copy does not have are named, each once, and no others."""
    lost = copied(tmp_path, content())[1]
    assert (set(lost), len(lost)) == (expected, len(expected))


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_a_disk_that_takes_no_more(tmp_path: Path, form: str) -> None:
    """A write that the system refuses, with room on the disk, is the place's error in the encoder's words."""
    with pytest.raises(PlaceError, match="expected to write its copy, the encoder found: System error") as caught:
        _copied_to_a_limit(tmp_path, form)
    assert not isinstance(caught.value, NoSpace)


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    """The same with no free blocks is `NoSpace`: the library says "System error" to both, so the disk is asked."""
    monkeypatch.setattr(os, "fstatvfs", lambda _: SimpleNamespace(f_bavail=0, f_frsize=4096))
    with pytest.raises(NoSpace, match="a: expected room to write its copy, found 0 bytes left"):
        _copied_to_a_limit(tmp_path, form)


def _copied_to_a_limit(folder: Path, form: str) -> None:
    """Copy while the system lets no file grow beyond 100 kB."""
    content = made(form, "PCM_24", white_noise(200_000, 2))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    path, out = written(folder / "a", content), folder / "b"
    with open_audio(path, settle_s=0.0) as source, out.open("w+b") as file:
        assert isinstance(source, ForeignFile)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
        try:
            write_foreign(source, source.info, HALF, file, hashlib.sha256())
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_samples_that_are_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    """Fewer frames than were given, told by nothing but a failed assertion of the binding, are the place's error."""

    def short(*_: object) -> None:
        raise AssertionError

    content = _plain(form)
    monkeypatch.setattr(soundfile.SoundFile, "write", short)
    with pytest.raises(PlaceError, match="the encoder found: fewer frames written than given"):
        copied(tmp_path, content)


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_frames_lost_on_the_way_to_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    """A library that swallows a block without a word is found out when its copy is looked at."""
    content = _plain(form)
    monkeypatch.setattr(soundfile.SoundFile, "write", lambda *_: None)
    with pytest.raises(PlaceError, match="expected to write its copy, the encoder found"):
        copied(tmp_path, content)


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_more_frames_than_the_original_has(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    """A copy that came out longer is this stem's alone: the place is sound, and other stems go on."""
    content, write = _plain(form), soundfile.SoundFile.write

    def twice(sound: soundfile.SoundFile, codes: object) -> None:
        write(sound, codes)
        write(sound, codes)

    monkeypatch.setattr(soundfile.SoundFile, "write", twice)
    with pytest.raises(CopyWrong, match="expected a copy of"):
        copied(tmp_path, content)


def test_an_original_that_breaks_off_is_no_error_of_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a copy is written, what is wrong with the original stays the original's, on a full disk too."""
    monkeypatch.setattr(os, "fstatvfs", lambda _: SimpleNamespace(f_bavail=0, f_frsize=4096))
    content = made("FLAC", "PCM_24", white_noise(48_000))
    with pytest.raises(TruncatedStem, match="breaks off"):
        copied(tmp_path, content[: len(content) // 2])
