"""`stager verify`: silent on clean copies, and one sentence for every way in which a copy can differ."""

import json
import os
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.roundtrip.originals import LATE, TOML, originals, part
from tests.roundtrip.verifying import CHUNKS, verified, with_true_hash
from tests.support import foreign_files, layouts, reference_levels, wavefile
from tests.support.command import Command
from tests.support.once import once
from tests.support.song import Song, SongMaker
from tests.support.wavefile import DOUBLE, FLOAT, PCM_16, PCM_24, Array, Kind

pytestmark = pytest.mark.long

KEYS = {"stem", "ok", "stale", "differences", "residual_peak_lsb", "residual_rms_lsb", "chunks"}
"""What the published shape has for each stem."""


def with_samples(song: Song, name: str, change: Callable[[Array], Array]) -> None:
    """Put other codes, or floats, in the place of a copy's samples."""
    place = song.outbox / name
    content, wave = place.read_bytes(), layouts.read(place).wave
    audio = wave.payload(b"data")
    changed = change(wave.samples() if wave.kind.is_float else wave.codes())
    packed = wavefile.pack(changed, wave.kind) if wave.kind.is_float else wavefile.pack_codes(changed, wave.kind)
    assert len(packed) == len(audio)
    assert packed != audio
    place.write_bytes(content.replace(audio, packed))
    with_true_hash(song, name)


def ideal(song: Song, name: str, off_db: float = 0.0) -> Array:
    """Original codes times the recorded gain, or one so far beside it."""
    gain = reference_levels.linear(song.sidecar(name)["trim"]["gain_db"] + off_db)
    return layouts.read(song.inbox / name).wave.codes() * gain


def dithered(exact: Array) -> Array:
    """Round with triangular dither of somebody else's, which is as good."""
    rng = np.random.default_rng(99)
    return np.rint(exact + rng.random(exact.shape) - rng.random(exact.shape)).astype(np.int64)


def without_chunk(song: Song, name: str) -> None:
    """Take the unknown chunk out of a copy, and say so in its header."""
    place = song.outbox / name
    content = place.read_bytes().replace(wavefile.chunk(*CHUNKS[1]), b"")
    place.write_bytes(content[:4] + struct.pack("<I", len(content) - 8) + content[8:])
    with_true_hash(song, name)


def replaced(song: Song, name: str, old: bytes, new: bytes) -> None:
    """Put other bytes of the same length in the place of some that stand there once."""
    place = song.outbox / name
    content = place.read_bytes()
    assert content.count(old) == 1
    assert len(old) == len(new)
    place.write_bytes(content.replace(old, new))
    with_true_hash(song, name)


def other_figure(song: Song, name: str, key: str) -> None:
    """Write a figure 0.1 dB off the copy's into its sidecar."""
    place = song.outbox / f"{name}.json"
    sidecar = json.loads(place.read_text("utf-8"))
    sidecar["copy"][key] += 0.1
    place.write_text(json.dumps(sidecar), "utf-8")


def other_original(song: Song, name: str, *, later: bool) -> None:
    """Bounce an original anew, with the time of the old one or with the time of now."""
    place = song.inbox / name
    then = place.stat().st_mtime - 7200.0
    song.put(name, part(20_001, 2, 77), before=CHUNKS)
    if later:
        os.utime(place, (then + 1e6, then + 1e6))
    else:
        os.utime(place, (then, then))


def swap(codes: Array) -> Array:
    """Change the channels of a stereo part over."""
    return codes[:, ::-1]


def flip(codes: Array) -> Array:
    """Turn the polarity of the second channel."""
    return np.column_stack((codes[:, 0], -codes[:, 1]))


Damage = tuple[Kind, Callable[[Song, str], None], str]
DAMAGED: dict[str, Damage] = {
    "gain.wav": (
        PCM_24,
        lambda s, n: with_samples(s, n, lambda _: dithered(ideal(s, n, 0.01))),
        r"its gain is \+0\.010 dB off",
    ),
    "gain_down.wav": (
        PCM_16,
        lambda s, n: with_samples(s, n, lambda _: dithered(ideal(s, n, -0.01))),
        r"its gain is -0\.010 dB off",
    ),
    "shift.wav": (PCM_24, lambda s, n: with_samples(s, n, lambda c: np.roll(c, 1, 0)), r"shifted by \+1 frames"),
    "shift_back.wav": (PCM_16, lambda s, n: with_samples(s, n, lambda c: np.roll(c, -1, 0)), r"shifted by -1 frames"),
    "swap.wav": (PCM_24, lambda s, n: with_samples(s, n, swap), "channels are swapped"),
    "flip.wav": (PCM_24, lambda s, n: with_samples(s, n, flip), "polarity of channel 2 is flipped"),
    "flip_both.wav": (PCM_16, lambda s, n: with_samples(s, n, lambda c: -c), "polarity of channel 1, 2 is flipped"),
    "plain.wav": (
        PCM_24,
        lambda s, n: with_samples(s, n, lambda _: np.rint(ideal(s, n)).astype(np.int64)),
        "rounded without the dither",
    ),
    "other_dither.wav": (
        PCM_24,
        lambda s, n: with_samples(s, n, lambda _: dithered(ideal(s, n))),
        "samples are not what the recorded trim gives",
    ),
    "one_code.wav": (
        PCM_24,
        lambda s, n: with_samples(s, n, lambda c: c + (np.arange(c.size).reshape(c.shape) == 31_234)),
        r"1 samples? (is|are) not what the recorded trim gives, the first at 0\.325 s",
    ),
    "lost.wav": (PCM_24, without_chunk, "the chunk zOdd is lost"),
    "chunk.wav": (PCM_24, lambda s, n: replaced(s, n, b"seven b", b"seven c"), "the chunk zOdd has other bytes"),
    "stamp.wav": (
        PCM_24,
        lambda s, n: replaced(s, n, struct.pack("<Q", LATE), struct.pack("<Q", LATE + 1)),
        f"expected its time stamp at frame {LATE}, found {LATE + 1}",
    ),
    "line.wav": (PCM_24, lambda s, n: replaced(s, n, b"gain +", b"gain -"), "the chunk bext has other bytes"),
    "average.wav": (PCM_24, lambda s, n: other_figure(s, n, "average_dbfs"), "its sidecar says average_dbfs"),
    "true_peak.wav": (PCM_24, lambda s, n: other_figure(s, n, "true_peak_dbtp"), "its sidecar says true_peak_dbtp"),
    "float_gain.wav": (
        FLOAT,
        lambda s, n: with_samples(s, n, lambda x: x * reference_levels.linear(0.01)),
        r"its gain is \+0\.010 dB off",
    ),
    "float_swap.wav": (DOUBLE, lambda s, n: with_samples(s, n, swap), "channels are swapped"),
    "float_flip.wav": (FLOAT, lambda s, n: with_samples(s, n, flip), "polarity of channel 2 is flipped"),
    "no_sidecar.wav": (PCM_24, lambda s, n: (s.outbox / f"{n}.json").unlink(), "its sidecar is missing"),
    "no_copy.wav": (PCM_24, lambda s, n: (s.outbox / n).unlink(), "its copy is missing"),
    "old_original.wav": (PCM_24, lambda s, n: other_original(s, n, later=False), "its original is not the one"),
    "swapped_file.wav": (
        PCM_24,
        lambda s, n: (s.outbox / n).write_bytes((s.outbox / "clean.wav").read_bytes()),
        "its copy is not the one that its sidecar describes",
    ),
}


@pytest.fixture(scope="module")
def damaged(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> tuple[int, dict[str, dict[str, Any]]]:
    """A project in which every copy but one is damaged in a way of its own, and what `verify` says of it."""
    folder = tmp_path_factory.mktemp("damaged") / "song"
    code, stems = once(tmp_path_factory, "damaged", lambda: _damaged(stager, folder))
    return code, stems


def _damaged(stager: Command, folder: Path) -> tuple[int, dict[str, Any]]:
    song = Song.made(stager, folder, TOML)
    for i, (name, (kind, _, _)) in enumerate(DAMAGED.items()):
        song.put(name, part(20_001, 2, 100 + i), kind=kind, before=CHUNKS)
    song.put("clean.wav", part(20_001, 2, 99), before=CHUNKS)
    assert song.stage().code == 0
    for name, (_, damage, _) in DAMAGED.items():
        damage(song, name)
    return verified(song)


@pytest.mark.parametrize("name", DAMAGED)
def test_each_difference_has_its_sentence(damaged: tuple[int, dict[str, dict[str, Any]]], name: str) -> None:
    """Every damage is found, in words of its own, though all but the last few had the sidecar's hash put right."""
    _, stems = damaged
    assert stems[name]["ok"] is False
    assert re.search(DAMAGED[name][2], " | ".join(stems[name]["differences"])), stems[name]["differences"]


def test_differences_make_the_status_1(damaged: tuple[int, dict[str, dict[str, Any]]]) -> None:
    """Where any copy differs the status is 1, and the copy beside it that does not differ is still ok."""
    code, stems = damaged
    assert code == 1
    assert stems["clean.wav"]["ok"] is True
    assert stems["clean.wav"]["differences"] == []
    assert set(stems) == {*DAMAGED, "clean.wav"}


def test_an_original_newer_than_its_copy_is_stale(make_song: SongMaker) -> None:
    """A stem bounced again since is no difference: stale, ok and status 0; staged again, it is no longer stale."""
    song = make_song(TOML)
    song.put("a.wav", part(20_001, 2, 1), before=CHUNKS)
    assert song.stage().code == 0
    other_original(song, "a.wav", later=True)
    code, stems = verified(song)
    assert (code, stems["a.wav"]["ok"], stems["a.wav"]["stale"]) == (0, True, True)
    song.rest("a.wav")
    assert song.stage().code == 0
    code, stems = verified(song)
    assert (code, stems["a.wav"]["ok"], stems["a.wav"]["stale"]) == (0, True, False)


def test_an_original_taken_out_is_no_difference(make_song: SongMaker) -> None:
    """A stem without its original is taken out and ok, status 0; its copy is still held against its sidecar."""
    song = make_song(TOML)
    for i, name in enumerate(["kept.wav", "out.wav", "damaged.wav"]):
        song.put(name, part(20_001, 2, i), before=CHUNKS)
    assert song.stage().code == 0
    (song.inbox / "out.wav").unlink()
    code, stems = verified(song)
    assert {name: (stem["ok"], stem["taken_out"]) for name, stem in stems.items()} == {
        "damaged.wav": (True, False),
        "kept.wav": (True, False),
        "out.wav": (True, True),
    }
    assert code == 0
    (song.inbox / "damaged.wav").unlink()
    (song.outbox / "damaged.wav").write_bytes((song.outbox / "kept.wav").read_bytes())
    code, stems = verified(song)
    assert (code, stems["damaged.wav"]["ok"], stems["damaged.wav"]["taken_out"]) == (1, False, True)


def test_clean_copies_are_ok(copies: Song) -> None:
    """Copies of every container and chunk verify: status 0, no difference, and the published shape."""
    code, stems = verified(copies)
    assert code == 0
    assert set(stems) == set(originals())
    assert [name for name, stem in stems.items() if not stem["ok"] or stem["stale"] or stem["differences"]] == []
    assert all(set(stem) >= KEYS and set(stem["chunks"]) == {"kept", "rewritten", "dropped"} for stem in stems.values())
    assert all(stem["chunks"] == copies.sidecar(name)["copy"]["chunks"] for name, stem in stems.items())


def test_the_residual_is_that_of_dither(copies: Song) -> None:
    """`verify` gives the residual that this test works out from both files, in steps of the copy's grid: RMS 0.5."""
    _, stems = verified(copies)
    for name, original in originals().items():
        before, after = (layouts.read(folder / name).wave for folder in (copies.inbox, copies.outbox))
        bits = original.kind.valid_bits or 24
        gain = reference_levels.linear(copies.sidecar(name)["trim"]["gain_db"])
        left = (after.samples() - before.samples() * gain) * 2.0 ** (bits - 1)
        assert stems[name]["residual_peak_lsb"] == pytest.approx(np.abs(left).max(), rel=1e-5, abs=1e-8)
        assert stems[name]["residual_rms_lsb"] == pytest.approx(np.sqrt((left**2).mean()), rel=1e-5, abs=1e-8)
        if not original.kind.is_float:
            assert stems[name]["residual_rms_lsb"] == pytest.approx(0.5, rel=0.03)


def test_the_screen_says_the_same(copies: Song) -> None:
    """Without --json there is a line for each stem, and the status is the same."""
    result = copies.stager("verify", copies.folder)
    assert result.code == 0
    assert all(name in result.stdout for name in originals())


def test_other_containers_verify(make_song: SongMaker) -> None:
    """AIFF, CAF and FLAC copies verify, at a trim and in another encoding; one changed sample in a FLAC is found."""
    song = make_song(TOML)
    for name, form in (("a.aif", "AIFF"), ("c.caf", "CAF"), ("f.flac", "FLAC"), ("g.flac", "FLAC")):
        (song.inbox / name).write_bytes(foreign_files.written(part(20_001, 2, 5), form, "PCM_16"))
    assert song.stage().code == 0
    assert verified(song)[0] == 0
    codes, _ = foreign_files.codes(song.outbox / "g.flac")
    codes[777, 1] += 1
    (song.outbox / "g.flac").write_bytes(foreign_files.written(codes / 2.0**15, "FLAC", "PCM_16"))
    with_true_hash(song, "g.flac")
    code, stems = verified(song)
    assert code == 1
    assert [name for name, stem in stems.items() if not stem["ok"]] == ["g.flac"]
    assert "0.016 s" in stems["g.flac"]["differences"][0]


@pytest.mark.parametrize(
    "toml",
    ['[target]\nrule = "leave"\n', f'{TOML}[copy]\nencoding = "PCM_16"\ndither = "none"\n'],
    ids=["left", "plain"],
)
def test_whole_silent_and_undithered_copies_verify(make_song: SongMaker, toml: str) -> None:
    """Copies at trim 0, silent ones and undithered ones have no difference."""
    song = make_song(toml)
    song.put("deep/a.wav", part(20_001, 2, 5), before=CHUNKS)
    song.put("b.wav", part(20_001, 1, 6), kind=FLOAT)
    song.put("silent.wav", np.zeros(20_000), kind=PCM_16)
    assert song.stage().code == 0
    code, stems = verified(song)
    assert (code, [stem["differences"] for stem in stems.values()]) == (0, [[], [], []])


def test_an_empty_outbox_has_nothing_to_prove(song: Song) -> None:
    """Before anything is staged there is a sentence, no stem and status 0."""
    code, stems = verified(song)
    assert (code, stems) == (0, {})


def test_verify_writes_nothing(copies: Song) -> None:
    """Neither originals nor copies nor the state beside them change, in bytes or in time."""
    before = {path: path.stat().st_mtime_ns for path in copies.folder.rglob("*")}
    verified(copies)
    assert {path: path.stat().st_mtime_ns for path in copies.folder.rglob("*")} == before
