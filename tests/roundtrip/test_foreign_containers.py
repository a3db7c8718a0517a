"""Copies of AIFF, CAF and FLAC: same container and encoding, exact samples, tags kept, and what is lost is named."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.roundtrip.originals import TOML, part
from tests.support import foreign_files, reference_levels
from tests.support.command import Command
from tests.support.foreign_files import TITLE
from tests.support.once import once
from tests.support.song import Song

PART = part(20_001, 2, 11)


@dataclass(frozen=True)
class Foreign:
    """A file, its container and encoding as libsndfile names them, and the names that are said not to be carried."""

    content: bytes
    form: str
    subtype: str
    endian: str = "FILE"
    lost: tuple[str, ...] = ()


def _made(form: str, subtype: str, endian: str = "FILE") -> Foreign:
    return Foreign(foreign_files.written(PART, form, subtype, endian), form, subtype, endian)


def _files() -> dict[str, Foreign]:
    aiff, caf, flac = (foreign_files.written(PART, form, "PCM_24") for form in ("AIFF", "CAF", "FLAC"))
    return {
        "a16.aif": _made("AIFF", "PCM_16"),
        "a24.aiff": _made("AIFF", "PCM_24"),
        "a32.aif": _made("AIFF", "PCM_32"),
        "sowt.aif": _made("AIFF", "PCM_16", "LITTLE"),
        "afloat.aif": _made("AIFF", "FLOAT"),
        "adouble.aif": _made("AIFF", "DOUBLE"),
        "marks.aif": Foreign(
            foreign_files.with_aiff_chunks(aiff, (b"MARK", foreign_files.mark()), (b"zZzz", b"odd")),
            "AIFF",
            "PCM_24",
            lost=("MARK", "zZzz"),
        ),
        "c16.caf": _made("CAF", "PCM_16", "LITTLE"),
        "c24.caf": _made("CAF", "PCM_24"),
        "c32.caf": _made("CAF", "PCM_32"),
        "cfloat.caf": _made("CAF", "FLOAT"),
        "cdouble.caf": _made("CAF", "DOUBLE", "LITTLE"),
        "marks.caf": Foreign(
            foreign_files.with_caf_chunks(caf, (b"mark", bytes(8)), (b"zZzz", b"odd")),
            "CAF",
            "PCM_24",
            lost=("mark", "zZzz"),
        ),
        "f16.flac": _made("FLAC", "PCM_16"),
        "f24.flac": _made("FLAC", "PCM_24"),
        "art.flac": Foreign(
            foreign_files.with_flac_blocks(flac, (6, foreign_files.flac_picture()), (2, b"test1234")),
            "FLAC",
            "PCM_24",
            lost=("PICTURE", "APPLICATION"),
        ),
    }


FILES = _files()


@pytest.fixture(scope="module")
def staged(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Every file staged in one run; what was said on the way is kept."""
    folder = tmp_path_factory.mktemp("foreign") / "song"
    return Song(stager, Path(once(tmp_path_factory, "foreign-copies", lambda: _staged(stager, folder))))


def _staged(stager: Command, folder: Path) -> str:
    song = Song.made(stager, folder, TOML)
    for name, made in FILES.items():
        (song.inbox / name).write_bytes(made.content)
    result = song.stage()
    assert result.code == 0, result.stderr
    (song.folder / "stderr").write_text(result.stderr, "utf-8")
    return str(song.folder)


@pytest.mark.parametrize("name", FILES)
def test_container_and_stream_stay(staged: Song, name: str) -> None:
    """Container, encoding, byte order, rate, channels and frames are the original's (read by libsndfile)."""
    before, after = soundfile.info(staged.inbox / name), soundfile.info(staged.outbox / name)
    fields = ("format", "subtype", "endian", "samplerate", "channels", "frames")
    assert [getattr(after, field) for field in fields] == [getattr(before, field) for field in fields]
    assert (after.format, after.subtype, after.frames) == (FILES[name].form, FILES[name].subtype, 20_001)
    assert abs(staged.sidecar(name)["trim"]["gain_db"]) > 1.0


@pytest.mark.parametrize("name", [name for name, made in FILES.items() if made.subtype.startswith("PCM")])
def test_integer_samples_lie_within_dither_and_rounding(staged: Song, name: str) -> None:
    """Every code is gain times the original's within 1.5 steps, rounded, not floored: mean 0 (arithmetic)."""
    before, bits = foreign_files.codes(staged.inbox / name)
    after, after_bits = foreign_files.codes(staged.outbox / name)
    off = after - before * reference_levels.linear(staged.sidecar(name)["trim"]["gain_db"])
    assert bits == after_bits
    assert 0.5 < np.abs(off).max() <= 1.5
    assert abs(off.mean()) <= 4 * 0.5 / np.sqrt(off.size)
    assert staged.sidecar(name)["copy"]["dither"] == "tpdf"


@pytest.mark.parametrize("name", [name for name, made in FILES.items() if not made.subtype.startswith("PCM")])
def test_float_samples_are_gain_times_original(staged: Song, name: str) -> None:
    """Every float is the original's times the gain, rounded once to its own width (IEEE 754)."""
    before, after = (soundfile.read(folder / name)[0] for folder in (staged.inbox, staged.outbox))
    width = "f4" if FILES[name].subtype == "FLOAT" else "f8"
    expected = (before * reference_levels.linear(staged.sidecar(name)["trim"]["gain_db"])).astype(width)
    assert np.array_equal(after, expected.astype(float))


@pytest.mark.parametrize("name", FILES)
def test_tags_are_kept(staged: Song, name: str) -> None:
    """The title of the original is that of the copy (read by libsndfile)."""
    with soundfile.SoundFile(staged.inbox / name) as before, soundfile.SoundFile(staged.outbox / name) as after:
        assert (before.title, after.title) == (TITLE, TITLE)


@pytest.mark.parametrize("name", FILES)
def test_what_is_lost_is_named(staged: Song, name: str) -> None:
    """Markers, pictures and unknown chunks that the library can't write stand in the sidecar, and nothing else does."""
    assert tuple(staged.sidecar(name)["copy"]["not_carried"]) == FILES[name].lost


def test_what_is_lost_is_said_on_screen(staged: Song) -> None:
    """Each chunk that is not carried is told while staging."""
    screen = (staged.folder / "stderr").read_text("utf-8")
    lost = [text for made in FILES.values() for text in made.lost]
    assert lost
    assert screen.count("not carried:") == len(lost)
    assert all(f"not carried: {text}" in screen for text in lost)


def test_a_fresh_run_gives_the_same_bytes(staged: Song, stager: Command, tmp_path: Path) -> None:
    """Another project, another time: every copy is the same, float ones too, whose PEAK chunk would hold the clock."""
    again = Song.made(stager, tmp_path / "again", TOML)
    for name, made in FILES.items():
        (again.inbox / name).write_bytes(made.content)
    assert again.stage().code == 0
    for name in FILES:
        assert (again.outbox / name).read_bytes() == (staged.outbox / name).read_bytes(), name


def _ogg() -> bytes:
    return foreign_files.written(PART, "OGG", "VORBIS")


REFUSED = {
    **{
        f"{codec.decode().strip()}.aif": (foreign_files.compressed_aiff(codec), codec)
        for codec in (b"ulaw", b"ima4", b"QDM2")
    },
    **{
        f"{codec.decode().strip()}.caf": (foreign_files.compressed_caf(codec), codec)
        for codec in (b"alac", b"aac ", b"ima4")
    },
    "real_alac.caf": (foreign_files.written(PART, "CAF", "ALAC_16"), b"alac"),
    "ogg.flac": (_ogg(), b"Ogg"),
    "mp3.wav": (foreign_files.written(PART, "MP3", "MPEG_LAYER_III"), b"MP3"),
}
HALVES = ("a24.aiff", "afloat.aif", "c24.caf", "cfloat.caf", "f16.flac", "f24.flac")


@pytest.fixture(scope="module")
def bad(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    """Compressed files and files cut in half, staged in one run beside a good one."""
    folder = tmp_path_factory.mktemp("bad") / "song"
    outcomes: dict[str, dict[str, str]] = once(tmp_path_factory, "foreign-bad", lambda: _bad(stager, folder))
    return outcomes


def _bad(stager: Command, folder: Path) -> dict[str, Any]:
    song = Song.made(stager, folder, TOML)
    for name, (content, _) in REFUSED.items():
        (song.inbox / name).write_bytes(content)
    for name in HALVES:
        content = FILES[name].content
        (song.inbox / f"half_{name}").write_bytes(content[: len(content) // 2])
    (song.inbox / "good.flac").write_bytes(FILES["f16.flac"].content)
    for path in song.inbox.iterdir():
        song.rest(path.name)
    outcomes = song.outcomes()
    assert song.outbox_names() == {"good.flac", "good.flac.json"}
    return outcomes


@pytest.mark.parametrize("name", REFUSED)
def test_compressed_files_are_refused_undecoded(bad: dict[str, dict[str, str]], name: str) -> None:
    """Lossy and rare codecs are `unsupported`, by name, even where a decoder would only find rubbish."""
    assert bad[name]["refused"] == "unsupported"
    assert REFUSED[name][1].decode().strip() in bad[name]["says"]


@pytest.mark.parametrize("name", HALVES)
def test_files_cut_in_half_are_refused(bad: dict[str, dict[str, str]], name: str) -> None:
    """A file that ends before its header says is `truncated` once at rest; the audio there is told."""
    outcome = bad[f"half_{name}"]
    assert outcome["refused"] == "truncated"
    assert " s" in outcome["says"]
