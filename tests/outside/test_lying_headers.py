"""WAVE files whose headers lie: refused in one sentence, or staged as another reader hears them; the rest goes on.

The other reader is libsndfile through soundfile. What a copy may differ by is rounding and triangular dither, 1.5 LSB
(Wannamaker and others, IEEE Trans. Signal Processing 48(2), 2000).
"""

import struct
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.prove.lies import stage_files
from tests.support.signals import white_noise
from tests.support.song import Song, SongMaker
from tests.support.wavefile import chunk, format_of, integers, quantised, riff, with_riff_header

pytestmark = pytest.mark.long

FRAMES, BITS = 24_000, 16
SAMPLES = 0.1 * white_noise(FRAMES, 1)
CODES = quantised(SAMPLES, BITS)
AUDIO = integers(CODES, BITS)
FMT = format_of(BITS, 1)
WHOLE = riff(FMT, AUDIO)
FORMAT, DATA = chunk(b"fmt ", FMT), chunk(b"data", AUDIO)
FORMAT_32, AUDIO_32 = chunk(b"fmt ", format_of(32, 1)), integers(quantised(SAMPLES, 32), 32)
ODD_24 = riff(format_of(24, 1), integers(quantised(SAMPLES[:-1], 24), 24))


def sized(content: bytes, riff_size: int) -> bytes:
    """Return a file with another size in its RIFF header."""
    return content[:4] + struct.pack("<I", riff_size) + content[8:]


PAST_ITS_END = with_riff_header(FORMAT + DATA + chunk(b"levl", bytes(28)) + chunk(b"JUNK", b""))


def wide(form: bytes, in_ds64: int, in_data: int, more: bytes = b"") -> bytes:
    """Return an RF64 or BW64 file that states the length of its audio twice; `more` stands before its format."""
    data = b"data" + struct.pack("<I", in_data) + AUDIO
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 4 + 36 + len(FORMAT) + len(data), in_ds64, FRAMES, 0))
    return form + struct.pack("<I", 0xFFFFFFFF) + b"WAVE" + ds64 + more + FORMAT + data


def w64(*parts: tuple[bytes, bytes]) -> bytes:
    """Return a W64 file of these chunks, whose sizes count their header of 24 bytes, each padded to eights."""
    tail = bytes.fromhex("f3acd3118cd100c04f8edb8a")
    body = b"".join(
        name + tail + struct.pack("<Q", 24 + len(payload)) + payload + bytes(-len(payload) % 8)
        for name, payload in parts
    )
    return (
        b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000") + struct.pack("<Q", 40 + len(body)) + b"wave" + tail + body
    )


STAGED = {
    "RIFF size 4, a chunk that copies drop": sized(with_riff_header(chunk(b"MD5 ", bytes(16)) + FORMAT + DATA), 4),
    "RIFF size 12, a peak envelope": sized(with_riff_header(chunk(b"levl", bytes(160)) + FORMAT + DATA), 12),
    "RIFF size up to the audio": sized(WHOLE, 36),
    "RIFF size inside the audio": sized(WHOLE, 1000),
    "ds64 behind the audio": with_riff_header(FORMAT + DATA + chunk(b"ds64", bytes(28))),
    "ds64 behind the format": with_riff_header(FORMAT + chunk(b"ds64", bytes(28)) + DATA),
    "ds64 first": with_riff_header(chunk(b"ds64", bytes(28)) + FORMAT + DATA),
    "a short ds64 behind the audio": with_riff_header(FORMAT + DATA + chunk(b"ds64", bytes(4))),
    "a chunk that copies drop without its padding": with_riff_header(
        FORMAT + DATA + b"levl" + struct.pack("<I", 1) + b"\0"
    )
    + b"TAG"
    + bytes(125),
    "RIFF size inside a chunk that copies drop": sized(PAST_ITS_END, len(WHOLE) + 10),
    "one length in ds64 and in data": wide(b"RF64", len(AUDIO), len(AUDIO)),
    "all of the length in ds64": wide(b"RF64", len(AUDIO), 0xFFFFFFFF),
}
DISPUTED = (
    *(19_848, 28_466, 30_835, 36_830, 36_946, 38_552, 55_290, 57_323, 57_327, 58_519, 59_896, 72_714, 77_965, 80_549),
    *(81_148, 92_963, 94_114, 98_956, 99_641, 108_152, 122_193, 135_755, 151_223, 156_033, 167_208, 178_543, 182_520),
    *(183_966, 190_035),
)
"""Numbers of files of the generator of lying headers."""
REFUSED = {
    "data of 0 bytes before text": (
        with_riff_header(FORMAT + chunk(b"data", b"") + chunk(b"LIST", b"INFOICMT" + b"This take is empty. " * 3000)),
        "unreadable",
    ),
    "the last byte of 24 bits missing": (sized(ODD_24, len(ODD_24) - 9)[:-2], "truncated"),
    "the last two bytes missing": (WHOLE[:-2], "truncated"),
    "two data chunks": (with_riff_header(FORMAT + DATA + DATA), "unreadable"),
    "two format chunks": (with_riff_header(FORMAT + chunk(b"fmt ", format_of(24, 1)) + DATA), "unreadable"),
    "the format behind the audio": (with_riff_header(DATA + FORMAT), "unreadable"),
    "more audio in ds64 than in data": (wide(b"RF64", len(AUDIO), len(AUDIO) - 2), "unreadable"),
    "less audio in ds64 than in data": (wide(b"BW64", len(AUDIO) - 2, len(AUDIO)), "unreadable"),
    "two data chunks, one behind the end": (WHOLE + chunk(b"data", bytes(8)), "unreadable"),
    "audio in a LIST": (with_riff_header(FORMAT + chunk(b"LIST", b"data\4\0\0\0" + bytes(594)) + DATA), "unreadable"),
    "two data chunks, one behind a name that is no text": (
        with_riff_header(FORMAT + DATA + chunk(b"\xe9abc", bytes(4)) + DATA),
        "unreadable",
    ),
    "two data chunks, one inside the last frame of the other": (
        with_riff_header(
            FORMAT_32 + b"data" + struct.pack("<I", len(AUDIO_32) + 2) + AUDIO_32 + chunk(b"data", AUDIO_32)
        ),
        "unreadable",
    ),
    "two ds64 chunks": (wide(b"RF64", len(AUDIO), 0xFFFFFFFF, chunk(b"ds64", b"")), "unreadable"),
}


def put(song: Song, name: str, content: bytes) -> Path:
    """Put an original that has been at rest into the inbox."""
    path = song.inbox / name
    path.write_bytes(content)
    song.rest(name, 10.0)
    return path


@pytest.mark.parametrize("encoding", ["same", "FLOAT"])
def test_copies_hold_what_another_reader_hears(make_song: SongMaker, encoding: str) -> None:
    """Every file that is staged has a copy of the other reader's samples times the gain, and all pass the proof."""
    song = make_song(f'[copy]\nencoding = "{encoding}"\n')
    names = {f"{number:02}.wav": content for number, content in enumerate(STAGED.values())}
    for name, content in names.items():
        put(song, name, content)
    result = song.stage("--json")
    assert result.code == 0, result
    for outcome in result.json()["outcomes"]:
        heard, _ = soundfile.read(song.inbox / outcome["stem"])
        copy, _ = soundfile.read(song.outbox / outcome["copy"]["path"].rpartition("/")[2])
        factor = 10 ** (outcome["trim"]["gain_db"] / 20)
        assert factor > 1.5
        assert np.array_equal(heard, CODES[:, 0] / 2.0**15)
        assert len(copy) == FRAMES
        assert np.abs(copy - heard * factor).max() <= 1.5 / 2**15
    assert song.stager("verify", song.folder).code == 0


@pytest.mark.parametrize("settings", ["", '[copy]\nencoding = "FLOAT"\n', '[target]\nrule = "leave"\n'])
def test_what_readers_disagree_about_is_refused(make_song: SongMaker, settings: str) -> None:
    """The same code whatever the rule and the encoding, and the good stem beside them has its copy."""
    song = make_song(settings)
    put(song, "good.wav", WHOLE)
    names = {f"{number:02}.wav": code for number, (_, code) in enumerate(REFUSED.values())}
    for name, (content, _) in zip(names, REFUSED.values(), strict=True):
        put(song, name, content)
    result = song.stage("--json")
    assert result.code == 1
    found = {outcome["stem"]: outcome.get("refused") for outcome in result.json()["outcomes"]}
    assert found == {"good.wav": None, **names}
    assert (song.outbox / "good.wav").is_file()


def test_a_fact_that_fits_no_w64_is_not_carried(make_song: SongMaker) -> None:
    """Libsndfile reads 8 bytes of it whatever its size; a copy that drops what stood behind it is still opened.

    Source: libsndfile 1.2.2, which opens each copy; the layout of W64 is its own.
    """
    song = make_song()
    for size in (0, 1, 4, 8, 9, 16):
        parts = (b"fmt ", FMT), (b"fact", b"\x55" * size), (b"levl", bytes(16)), (b"data", AUDIO)
        put(song, f"{size}.w64", w64(*parts))
    for outcome in song.stage("--json").json()["outcomes"]:
        path, kept = song.outbox / outcome["stem"], outcome["stem"] in ("1.w64", "4.w64", "8.w64")
        copy, _ = soundfile.read(path)
        assert np.abs(copy - CODES[:, 0] / 2.0**15 * 10 ** (outcome["trim"]["gain_db"] / 20)).max() <= 1.5 / 2**15
        assert (b"fact" in path.read_bytes()) is kept
        assert any(note.startswith("fact, whose size") for note in outcome["copy"]["not_carried"]) is not kept
    assert song.stager("verify", song.folder).code == 0


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_a_bext_that_grows_hides_no_audio(make_song: SongMaker, form: bytes) -> None:
    """Libsndfile opens every copy, whether the line of history about its gain has an odd length or an even one.

    Source: libsndfile 1.2.2, which passes over no padding behind the `bext` of an RF64 file; BW64 has its layout.
    """
    song = make_song()
    for number, factor in enumerate((1.0, 4.0)):
        audio = integers(quantised(factor * SAMPLES, BITS), BITS)
        content = wide(form, len(AUDIO), 0xFFFFFFFF, chunk(b"bext", bytes(602))).replace(AUDIO, audio)
        put(song, f"{number}.wav", content)
    outcomes = song.stage("--json").json()["outcomes"]
    assert len({len(str(outcome["trim"]["gain_db"])) for outcome in outcomes}) == 2
    for outcome in outcomes:
        copy, _ = soundfile.read(BytesIO(b"RF64" + (song.outbox / outcome["stem"]).read_bytes()[4:]))
        assert len(copy) == FRAMES
    assert song.stager("verify", song.folder).code == 0


def test_two_of_what_belongs_once_elsewhere(make_song: SongMaker) -> None:
    """AIFF with two COMM chunks, W64 with two data chunks of which readers find one or the other: refused."""
    song = make_song()
    comm, ssnd = b"COMM" + struct.pack(">I", 18), b"SSND" + struct.pack(">I", 8 + len(AUDIO)) + bytes(8) + AUDIO
    rate = bytes.fromhex("400ebb80000000000000")
    comms = [comm + struct.pack(">hIh", 1, FRAMES, bits) + rate for bits in (24, BITS)]
    body = b"AIFF" + b"".join(comms) + ssnd
    put(song, "a.aif", b"FORM" + struct.pack(">I", len(body)) + body)
    parts = (b"fmt ", FMT), (b"data", AUDIO), (b"zzzz", bytes(16)), (b"data", AUDIO)
    content = w64(*parts)
    put(song, "b.w64", content.replace(struct.pack("<Q", 24 + len(AUDIO)), struct.pack("<Q", 32 + len(AUDIO)), 1))
    found = {outcome["stem"]: outcome.get("refused") for outcome in song.stage("--json").json()["outcomes"]}
    assert found == {"a.aif": "unreadable", "b.w64": "unreadable"}


@pytest.mark.parametrize(("form", "suffix"), [("AIFF", "aif"), ("CAF", "caf")])
def test_a_few_frames_of_float(make_song: SongMaker, form: str, suffix: str) -> None:
    """Copies of one to nine frames have as many, in one channel and three."""
    song = make_song()
    for channels in (1, 3):
        for frames in range(1, 10):
            path = song.inbox / f"{channels} {frames}.{suffix}"
            samples = 0.1 * white_noise(frames, channels, seed=frames)
            soundfile.write(path, samples, 48_000, "FLOAT" if frames % 2 else "DOUBLE", format=form)
            song.rest(path.name, 10.0)
    result = song.stage("--json")
    assert result.code == 0, result
    for outcome in result.json()["outcomes"]:
        heard, _ = soundfile.read(song.inbox / outcome["stem"])
        copy, _ = soundfile.read(song.outbox / outcome["stem"])
        assert np.allclose(copy, heard * 10 ** (outcome["trim"]["gain_db"] / 20), rtol=2.0**-23, atol=0.0)
    assert any(outcome["trim"]["gain_db"] for outcome in result.json()["outcomes"])
    assert song.stager("verify", song.folder).code == 0


def test_bits_below_the_grid(make_song: SongMaker) -> None:
    """A file of 20 valid bits that uses all 24 is staged as it is, bit for bit, and the proof agrees."""
    song = make_song('[target]\nrule = "leave"\n')
    audio = integers(quantised(SAMPLES, 24), 24)
    assert any(byte & 15 for byte in audio[::3])
    path = put(song, "a.wav", riff(format_of(24, 1, valid_bits=20), audio))
    assert song.stage().code == 0
    assert (song.outbox / "a.wav").read_bytes() == path.read_bytes()
    assert song.stager("verify", song.folder).code == 0


@pytest.mark.long
def test_files_that_were_disputed(tmp_path: Path) -> None:
    """Files of the generator about which our copies and another reader once disagreed, or on whose oracle."""
    tally = stage_files(tmp_path / "song", DISPUTED, verified=True)
    assert not tally.faults
    assert sum(tally.codes.values()) == len(DISPUTED)
    assert tally.codes["staged"] >= len(DISPUTED) // 2


def test_measuring_sees_the_same_end(make_song: SongMaker) -> None:
    """A file whose last byte is missing is no usable take: measuring names it cut short, as staging does."""
    song = make_song()
    path = put(song, "cut.wav", REFUSED["the last byte of 24 bits missing"][0])
    (stem,) = song.stager("measure", path, "--json").json()["stems"]
    assert stem["verdict"] == "play_again"
    assert [finding["code"] for finding in stem["findings"]] == ["corrupt"]


def test_unclosed_elements_cost_no_more_than_their_length(make_song: SongMaker) -> None:
    """Six hundred thousand elements that are never closed are carried, and the command does not hang."""
    song = make_song()
    names = b"".join(b"<BWF_LOUDNESS_%07d>" % number for number in range(300_000))
    again = b"<LOUDNESS>" * 300_000
    closed = b"<BWF_MAX_X> 1 </BWF_MAX_X>" * 100_000
    for name, xml in (("a.wav", names), ("b.wav", again), ("c.wav", closed)):
        put(song, name, riff(FMT, AUDIO, before=[(b"iXML", xml + b" " * (len(xml) % 2))]))
    assert song.stage().code == 0
    assert b"BWF_LOUDNESS_0299999" in (song.outbox / "a.wav").read_bytes()
    assert b"BWF_MAX_X" not in (song.outbox / "c.wav").read_bytes()


def test_dual_mono_stays_dual_mono(make_song: SongMaker) -> None:
    """Two channels with the same samples have the same samples in the copy, and the proof agrees."""
    song = make_song()
    mono = 0.1 * white_noise(FRAMES, 1)
    song.put("both.wav", np.repeat(mono, 2, axis=1))
    assert song.stage().code == 0
    copy, _ = soundfile.read(song.outbox / "both.wav")
    assert np.array_equal(copy[:, 0], copy[:, 1])
    assert song.stager("verify", song.folder).code == 0
