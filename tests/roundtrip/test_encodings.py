"""Copies in another encoding: format, frame count, samples and dither; and copies under names of the project's own."""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.roundtrip.originals import part
from tests.support import foreign_files, layouts, reference_levels, wavefile
from tests.support.command import Command
from tests.support.once import once
from tests.support.song import Song, SongMaker
from tests.support.wavefile import DOUBLE, FLOAT, KINDS, PCM_16, PCM_20_IN_24, PCM_24, Array, Kind

TARGETS = {"PCM_16": PCM_16, "PCM_24": PCM_24, "FLOAT": FLOAT}
GAINS = {
    "raised": '[target]\nrule = "peak"\nlevel_db = -9.3\ntolerance_db = 0.0\nmax_boost_db = 40.0\ni_mean_it = true\n',
    "left": '[target]\nrule = "leave"\n',
}
PART = part(20_001, 2, 21)
NAMES = {f"{kind.name.replace(' ', '_')}.wav": kind for kind in KINDS}
FOREIGN = {"a.aif": "AIFF", "c.caf": "CAF", "f.flac": "FLAC"}
KEYS = [(gain, target) for gain in GAINS for target in TARGETS]
CASES = [(gain, target, name) for gain in GAINS for target in TARGETS for name in NAMES]


@dataclass(frozen=True)
class Pair:
    """An original and its copy, with the copy's sidecar."""

    before: wavefile.Wave
    after: wavefile.Wave
    sidecar: dict[str, Any]
    target: Kind

    @property
    def same(self) -> bool:
        """Whether the original has the encoding already: container bytes and number format."""
        kind = self.before.kind
        return (kind.container_bytes, kind.is_float) == (self.target.container_bytes, self.target.is_float)

    @property
    def bits(self) -> int:
        """The valid bits of the copy; 0 for float."""
        return self.before.kind.valid_bits if self.same else self.target.valid_bits

    @property
    def ideal(self) -> Array:
        """Original times gain."""
        return self.before.samples() * reference_levels.linear(self.sidecar["trim"]["gain_db"])


@pytest.fixture(scope="module")
def songs(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Song]:
    """A project for each gain and encoding, with an original of every sample format and container."""
    folders = {key: tmp_path_factory.mktemp("encodings") / "song" for key in KEYS}
    staged = once(tmp_path_factory, "encodings", lambda: [_staged(stager, *key, folders[key]) for key in KEYS])
    return {key: Song(stager, Path(folder)) for key, folder in zip(KEYS, staged, strict=True)}


def _staged(stager: Command, gain: str, target: str, folder: Path) -> str:
    song = Song.made(stager, folder, f'{GAINS[gain]}[copy]\nencoding = "{target}"\n')
    for name, kind in NAMES.items():
        song.put(name, PART, kind=kind)
    (song.inbox / "w.w64").write_bytes(layouts.w64(PART, PCM_24))
    (song.inbox / "r.rf64").write_bytes(layouts.wide(b"RF64", PART, PCM_24))
    for name, form in FOREIGN.items():
        (song.inbox / name).write_bytes(foreign_files.written(PART, form, "PCM_24"))
    (song.folder / "code").write_text(str(song.stage().code))
    return str(folder)


def pair(songs: dict[tuple[str, str], Song], gain: str, target: str, name: str) -> Pair:
    """Return an original, its copy and what the copy should be."""
    song = songs[gain, target]
    before, after = layouts.read(song.inbox / name).wave, layouts.read(song.outbox / name).wave
    return Pair(before, after, song.sidecar(name), TARGETS[target])


@pytest.mark.parametrize(("gain", "target", "name"), CASES)
def test_the_format_chunk_is_that_of_the_encoding(songs: Any, gain: str, target: str, name: str) -> None:
    """Tag, bits, frame and byte rate follow the encoding; an extensible header stays one, with all bits valid."""
    found = pair(songs, gain, target, name)
    kind = found.before.kind
    wanted = TARGETS[target]
    expected = Kind("", wanted.container_bytes, found.bits, wanted.is_float, kind.extensible)
    written = wavefile.fmt_chunk(expected, 48_000, 2)
    if expected.extensible and wanted.is_float:
        written = written[:18] + struct.pack("<H", 32) + written[20:]
    assert found.after.payload(b"fmt ") == written
    assert found.sidecar["copy"]["encoding"] == target
    assert found.after.samples().shape == (20_001, 2)


@pytest.mark.parametrize(("gain", "name"), [(gain, name) for gain in GAINS for name in NAMES])
def test_a_float_copy_counts_its_frames(songs: Any, gain: str, name: str) -> None:
    """A copy that becomes float gets a fact chunk with its frames before the audio (wanted of every non-PCM file)."""
    found = pair(songs, gain, "FLOAT", name)
    if found.same:
        assert found.after.names == found.before.names
        return
    assert found.after.payload(b"fact") == struct.pack("<I", 20_001)
    assert found.after.names.index(b"fact") < found.after.names.index(b"data")


@pytest.mark.parametrize(("gain", "target", "name"), CASES)
def test_samples_and_the_logged_dither(songs: Any, gain: str, target: str, name: str) -> None:
    """Float: one rounding. Integer: 1.5 steps where dithered, exact where nothing needs rounding (arithmetic)."""
    found = pair(songs, gain, target, name)
    dither = found.sidecar["copy"]["dither"]
    if found.target.is_float:
        assert dither == "none"
        assert found.after.payload(b"data") == found.ideal.astype("<f4").tobytes()
        return
    off = found.after.codes() - found.ideal * 2.0 ** (found.bits - 1)
    coarser = found.before.kind.is_float or found.before.kind.valid_bits > found.bits
    if gain == "left" and not coarser:
        assert dither == "none"
        assert not off.any()
        return
    assert dither == "tpdf"
    assert 0.5 < np.abs(off).max() <= 1.5
    assert abs(off.mean()) <= 4 * 0.5 / np.sqrt(off.size)


@pytest.mark.parametrize("target", TARGETS)
def test_only_what_has_the_encoding_already_is_copied_whole(songs: Any, target: str) -> None:
    """At trim 0 a file is its original's bytes where the encoding is the same, and only there."""
    for name in NAMES:
        song = songs["left", target]
        identical = (song.inbox / name).read_bytes() == (song.outbox / name).read_bytes()
        assert identical is pair(songs, "left", target, name).same
        assert song.sidecar(name)["copy"]["bit_identical"] is identical
        assert song.sidecar(name)["trim"]["gain_db"] == 0.0


@pytest.mark.parametrize("target", ["PCM_16", "FLOAT"])
@pytest.mark.parametrize("name", ["w.w64", "r.rf64"])
def test_the_rest_of_the_family_follows(songs: Any, target: str, name: str) -> None:
    """W64 and RF64 copies state their new lengths, and hold gain times original in the new encoding."""
    song = songs["raised", target]
    file = layouts.read(song.outbox / name)
    assert file.stated_bytes == file.file_bytes
    bound = 1.5 * 2.0**-15 if target == "PCM_16" else 2.0**-24
    assert np.abs(file.wave.samples() - pair(songs, "raised", target, name).ideal).max() <= bound


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("name", ["a.aif", "c.caf"])
def test_other_containers_follow(songs: Any, target: str, name: str) -> None:
    """AIFF and CAF copies have the encoding, and hold gain times original within its steps (read by libsndfile)."""
    song = songs["raised", target]
    assert soundfile.info(song.outbox / name).subtype == target
    before, after = (soundfile.read(folder / name)[0] for folder in (song.inbox, song.outbox))
    ideal = before * reference_levels.linear(song.sidecar(name)["trim"]["gain_db"])
    step = {"PCM_16": 1.5 * 2.0**-15, "PCM_24": 1.5 * 2.0**-23, "FLOAT": 2.0**-24}[target]
    assert np.abs(after - ideal).max() <= step * (1 + 1e-6)


def test_flac_takes_integers_and_refuses_float(songs: Any) -> None:
    """FLAC holds 16 and 24 bits; asked for float, that one stem is refused as `unsupported`, and no copy is left."""
    for gain in GAINS:
        assert soundfile.info(songs[gain, "PCM_16"].outbox / "f.flac").subtype == "PCM_16"
        song = songs[gain, "FLOAT"]
        assert (song.folder / "code").read_text() == "1"
        assert not (song.outbox / "f.flac").exists()
    (outcome,) = songs["raised", "FLOAT"].stager("stage", song.folder, "--json", "--only", "f.flac").json()["outcomes"]
    assert outcome["refused"] == "unsupported"
    assert "FLAC" in outcome["says"]


def test_loud_float_does_not_fit_integers(make_song: SongMaker) -> None:
    """A float part over full scale, left as it is, can't become integers: refused as `would_clip`, not clipped."""
    song = make_song(f'{GAINS["left"]}[copy]\nencoding = "PCM_24"\n')
    song.put("hot.wav", 1.5 * np.sin(np.arange(48_000.0) / 20), kind=FLOAT)
    assert song.outcome("hot.wav")["refused"] == "would_clip"
    assert song.outbox_names() == set()


def test_no_dither_where_none_is_asked_for(make_song: SongMaker) -> None:
    """With `dither = "none"` every code is the nearest, halves to even (IEEE 754), and the log says none."""
    song = make_song(f'{GAINS["raised"]}[copy]\nencoding = "PCM_16"\ndither = "none"\n')
    song.put("a.wav", PART, kind=DOUBLE)
    outcome = song.outcome("a.wav")
    ideal = song.original("a.wav").samples() * reference_levels.linear(outcome["trim"]["gain_db"])
    assert np.array_equal(song.copy("a.wav").codes(), np.rint(ideal * 2.0**15))
    assert outcome["copy"]["dither"] == "none"


def test_names_are_filled_from_their_fields(make_song: SongMaker) -> None:
    """Stem, role, rate, depth and suffix fill the name; subfolders stay, and the sidecar lies beside the copy."""
    song = make_song(
        '[copy]\nname = "{stem}_{role}_{rate}_{depth}{suffix}"\nencoding = "PCM_16"\n'
        '[[role]]\nname = "hand drum"\nmatch = ["*tabla*"]\n'
    )
    song.put("deep/tabla.wav", PART)
    song.put("harp.wav", PART, 44_100, FLOAT)
    assert song.stage().code == 0
    names = {"deep/tabla_hand drum_48000_16.wav", "harp_none_44100_16.wav"}
    assert song.outbox_names() == names | {f"{name}.json" for name in names}
    assert song.sidecar("harp_none_44100_16.wav")["copy"]["path"] == "staged/harp_none_44100_16.wav"


@pytest.mark.parametrize("name", ["../{stem}{suffix}", "sub/{stem}{suffix}", "{role}{suffix}", "{song}{suffix}"])
def test_names_that_lead_elsewhere_are_errors(make_song: SongMaker, name: str) -> None:
    """A name that leaves its folder, or is the same for all stems, is an error of the project: status 2, no copy."""
    song = make_song(f'[copy]\nname = "{name}"\n')
    song.put("a.wav", PART)
    result = song.stage()
    assert result.code == 2
    assert "name" in result.stderr
    assert song.outbox_names() == set()


def test_names_that_differ_in_capitals_alone_are_refused(make_song: SongMaker) -> None:
    """Two copies whose names differ in case alone are one file on many systems: neither is written, both are told."""
    song = make_song()
    for name in ("Harp.wav", "harp.wav", "lute.wav"):
        song.put(name, PART)
    outcomes = song.outcomes()
    assert {name: outcome.get("refused") for name, outcome in outcomes.items()} == {
        "Harp.wav": "name_refused",
        "harp.wav": "name_refused",
        "lute.wav": None,
    }
    assert song.outbox_names() == {"lute.wav", "lute.wav.json"}


def test_twenty_bits_stay_twenty(songs: Any) -> None:
    """20 valid bits in 24 are PCM_24 already: asked for PCM_24, the grid of 20 bits stays."""
    assert pair(songs, "raised", "PCM_24", f"{PCM_20_IN_24.name.replace(' ', '_')}.wav").after.kind.valid_bits == 20


@pytest.mark.parametrize("key", [("left", "FLOAT"), ("raised", "PCM_16")], ids=" ".join)
def test_copies_in_another_encoding_verify(songs: Any, key: tuple[str, str]) -> None:
    """`verify` finds no difference in copies of another encoding, at trim 0 and at a trim, whatever the container."""
    result = songs[key].stager("verify", songs[key].folder, "--json")
    assert [(stem["stem"], stem["differences"]) for stem in result.json()["stems"] if stem["differences"]] == []
    assert result.code == 0
    assert len(result.json()["stems"]) >= len(NAMES) + 4
