"""`stager pack`: one start, one length, silence and samples bit for bit, by the readers of sox, ffmpeg and numpy."""

import csv
import hashlib
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.direct_sum import Array, bext
from tests.support.forks import KILLED, forks
from tests.support.outbox import is_draft
from tests.support.signals import white_noise
from tests.support.song import Song, SongMaker, sha256, tree
from tests.support.wavefile import FLOAT, PCM_16, PCM_24, Kind

RATE: Final = 48_000
MIDNIGHT: Final = 3600 * RATE
PORTABLE: Final = re.compile(r"\d{2}_[a-z0-9_]+\.wav")
"""What every system takes: part of the portable filename character set of POSIX.1-2017, 3.282 (from memory)."""
TOML: Final = """
[project]
name = "Salt Road"
settle_s = 0.0
tempo_bpm = 92

[[role]]
name = "hand drum"
match = ["*drum*"]
target = { rule = "peak", level_db = -10.0 }

[[role]]
name = "voice"
match = ["*voice*"]
"""
STEMS: Final[dict[str, tuple[float, float, int, Kind]]] = {
    "Frame Drum.wav": (0.0, 4.0, 1, PCM_24),
    "Voice L.wav": (3.5, 5.0, 1, PCM_24),
    "harmonium.wav": (61.0, 2.0, 2, FLOAT),
    "07 lute.wav": (3.5, 2.5, 2, PCM_16),
}
"""Start in s, length in s, channels, encoding."""


def filled(song: Song, stems: dict[str, tuple[float, float, int, Kind]] = STEMS) -> Song:
    """Put stems with time stamps into a song, and stage it."""
    for seed, (name, (start_s, length_s, channels, kind)) in enumerate(stems.items()):
        samples = white_noise(round(length_s * RATE) + seed, channels, seed=seed, rms=0.02 * (seed + 1))
        song.put(name, samples, RATE, kind, before=[(b"bext", bext(MIDNIGHT + round(start_s * RATE)))])
    assert song.stage().code == 0
    return song


@pytest.fixture
def short(make_song: SongMaker) -> Song:
    """Return a staged song of three short stems."""
    return filled(make_song(TOML), {name: (n / 4, 0.5, n % 2 + 1, PCM_24) for n, name in enumerate([*STEMS][:3])})


def by_ffmpeg(path: Path, channels: int) -> Array:
    """Read samples with ffmpeg, (frames, channels) float64: integers and floats of 32 bits are exact in them."""
    line = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f64le", "-c:a", "pcm_f64le", "-"]
    raw = subprocess.run(line, capture_output=True, check=True, timeout=240).stdout
    return np.frombuffer(raw, "<f8").reshape(-1, channels)


def by_sox(path: Path) -> tuple[int, int]:
    """Return rate and frames as sox has them."""
    found = [
        subprocess.run(["soxi", flag, str(path)], capture_output=True, check=True, timeout=60) for flag in ("-r", "-s")
    ]
    assert [each.stderr for each in found] == [b"", b""], "sox has nothing to warn of"
    return int(found[0].stdout), int(found[1].stdout)


def faders(pack: Path) -> dict[str, dict[str, str]]:
    """Return the rows of the fader list by stem."""
    with (pack / "faders.csv").open(newline="", encoding="utf-8") as file:
        return {row["stem"]: row for row in csv.DictReader(file)}


def is_whole(pack: Path) -> bool:
    """Return whether every file of a pack, folder or ZIP, has the sum of its list, and nothing else is there."""
    if pack.is_dir():
        files = {path.name: path.read_bytes() for path in pack.iterdir()}
    else:
        with zipfile.ZipFile(pack) as packed:
            files = {name.partition("/")[2]: packed.read(name) for name in packed.namelist()}
    lines = files.pop("sha256sums.txt").decode().splitlines()
    sums = {name: found for found, name in (line.split("  ", 1) for line in lines)}
    return {name: hashlib.sha256(content).hexdigest() for name, content in files.items()} == sums


def placed(samples: Array, start: int, frames: int) -> Array:
    """Return samples as a stereo part of a sum at unity pan: mono in the centre at -3 dB, the default pan law."""
    sides = samples @ np.array([[10 ** (-3 / 20)] * 2]) if samples.shape[1] == 1 else samples
    out = np.zeros((frames, 2))
    out[start : start + len(sides)] = sides
    return out


@pytest.mark.long
def test_one_start_one_length_and_the_sum_of_the_originals(make_song: SongMaker) -> None:
    """Stamps 0, 3.5 and 61 s, mono and stereo, 16, 24 and float: sox and ffmpeg find one length, numpy every sample.

    The sum with the faders of the list is that of the originals to within dither (each copy's error is within 1.5 LSB;
    Wannamaker and others, IEEE Trans. Signal Processing 48(2), 2000).
    """
    song = filled(make_song(TOML))
    originals = tree(song.inbox)
    done = song.stager("pack", song.folder, "--quick")
    pack = song.folder / "pack"
    assert (done.code, done.stdout) == (0, f"{pack}\n")
    assert tree(song.inbox) == originals
    rows = faders(pack)
    frames = 61 * RATE + 2 * RATE + 2
    sums, most = [np.zeros((frames, 2)), np.zeros((frames, 2))], 0.0
    for name, (start_s, _, channels, kind) in STEMS.items():
        file, start = pack / rows[name]["file"], round(start_s * RATE)
        assert by_sox(file) == (RATE, frames)
        found, copy = by_ffmpeg(file, channels), song.copy(name).samples()
        assert not found[:start].any()
        assert np.array_equal(found[start : start + len(copy)], copy)
        assert not found[start + len(copy) :].any()
        factor = 10 ** (float(rows[name]["fader_db"]) / 20)
        sums[0] += placed(found, 0, frames) * factor
        sums[1] += placed(song.original(name).samples(), start, frames)
        most += factor * 1.5 * 2.0 ** (1 - kind.valid_bits) if kind is not FLOAT else factor * 2.0**-24
    assert np.abs(sums[0] - sums[1]).max() <= most
    rough = by_ffmpeg(pack / "rough_mix.wav", 2)
    assert by_sox(pack / "rough_mix.wav") == (RATE, frames)
    assert np.abs(rough - sums[0]).max() <= 1.6 * 2.0**-23
    assert is_whole(pack)


def test_names_and_notes_are_for_whoever_mixes(make_song: SongMaker) -> None:
    """Roles in the order of the file, then the rest; numbers, part and side in characters that every system takes."""
    names = ["zither.wav", "Voice R.wav", "Voice L.wav", "Tiefe Drum/größe (1).wav", "琵琶.wav", "03 - Oud.wav"]
    song = filled(make_song(TOML), dict.fromkeys(names, (0.0, 0.5, 1, PCM_24)))
    assert song.stager("pack", song.folder).code == 0
    pack = song.folder / "pack"
    files = [row["file"] for row in faders(pack).values()]
    assert files == sorted(files)
    assert all(PORTABLE.fullmatch(file) for file in files)
    assert [row["file"] for row in map(faders(pack).get, names) if row] == [
        "05_zither.wav",
        "03_voice_r.wav",
        "02_voice_l.wav",
        "01_grosse_1.wav" if "01_grosse_1.wav" in files else "01_groesse_1.wav",
        "06_part.wav",
        "04_oud.wav",
    ]
    notes = (pack / "notes.md").read_text("utf-8")
    assert "Tempo: 92 bpm." in notes
    assert "琵琶.wav" in notes
    assert "turn monitors and headphones down before you first play" in notes
    assert all(file in notes for file in files)


def test_mixed_rates_are_refused_with_the_names(make_song: SongMaker) -> None:
    """44.1 and 48 kHz: nothing is resampled, nothing is written, and each stem stands beside its rate."""
    song = make_song(TOML)
    song.put("lute.wav", white_noise(RATE // 2), RATE)
    song.put("oud.wav", white_noise(44_100 // 2), 44_100)
    assert song.stage().code == 0
    before = tree(song.folder)
    for more in ([], ["--originals"]):
        done = song.stager("pack", song.folder, *more)
        assert (done.code, done.stdout) == (2, "")
        assert "48000 Hz: lute.wav" in done.stderr
        assert "44100 Hz: oud.wav" in done.stderr
    assert tree(song.folder) == before


@pytest.mark.long
def test_a_second_run_refuses_or_replaces_whole(short: Song) -> None:
    """Without a word the first pack stays as it is; with --replace it is another, whole; a changed one stays."""
    pack, line = short.folder / "pack", ["pack", short.folder, "--quick"]
    assert short.stager(*line).code == 0
    first = tree(pack)
    done = short.stager(*line)
    assert (done.code, tree(pack)) == (2, first)
    assert "--replace" in done.stderr
    assert short.stager(*line, "--replace", "--originals").code == 0
    assert is_whole(pack)
    assert '"made_of": "originals"' in (pack / "pack.json").read_text("utf-8")
    (pack / "my own.txt").write_text("remember the bells", "utf-8")
    done = short.stager(*line, "--replace")
    assert done.code == 2
    assert "my own.txt" in done.stderr
    assert (pack / "my own.txt").exists()
    mine = short.folder / "mine"
    mine.mkdir()
    (mine / "a.txt").write_text("mine", "utf-8")
    assert short.stager(*line[:2], mine, "--quick", "--replace").code == 2
    assert [path.name for path in mine.iterdir()] == ["a.txt"]


def test_a_pack_may_not_lie_among_stems_or_copies(short: Song) -> None:
    """A pack in the inbox would be staged, one in the outbox taken for copies."""
    before = tree(short.folder)
    for place in (short.inbox / "pack", short.outbox, short.folder):
        done = short.stager("pack", short.folder, place, "--quick")
        assert done.code == 2
        assert "apart from the project's folders" in done.stderr
    assert tree(short.folder) == before


def test_what_is_not_staged_or_was_taken_out(short: Song) -> None:
    """A stem without a copy is named and nothing is packed; one that was taken out does not go along, as is said."""
    gone = [*STEMS][1]
    (short.inbox / gone).unlink()
    done = short.stager("pack", short.folder, "--quick")
    assert done.code == 0
    assert f"{gone} was taken out of the inbox" in done.stderr
    assert set(faders(short.folder / "pack")) == {*STEMS} - {gone, "07 lute.wav"}
    assert f"{gone} was taken out of the inbox" in (short.folder / "pack" / "notes.md").read_text("utf-8")
    short.put("new bells.wav", white_noise(RATE // 2, seed=9), RATE)
    done = short.stager("pack", short.folder, short.folder / "other")
    assert done.code == 2
    assert "new bells.wav" in done.stderr
    assert not (short.folder / "other").exists()


def test_a_zip_file_holds_the_same(short: Song) -> None:
    """The standard library's reader finds in it every file of the folder, below one folder of its name."""
    assert short.stager("pack", short.folder, "--quick").code == 0
    assert short.stager("pack", short.folder, short.folder / "sent", "--quick", "--zip").code == 0
    pack = short.folder / "pack"
    with zipfile.ZipFile(short.folder / "sent.zip") as file:
        assert file.testzip() is None
        assert sorted(file.namelist()) == sorted(f"sent/{path.name}" for path in pack.iterdir())
        for path in pack.glob("*.wav"):
            assert hashlib.sha256(file.read(f"sent/{path.name}")).hexdigest() == sha256(path)
    proofs = short.stager("verify", short.folder, "--json").json()["packs"]
    assert [(each["place"], each["ok"], each["files"]) for each in proofs] == [("pack", True, 3), ("sent.zip", True, 3)]
    sent = short.folder / "sent.zip"
    sent.write_bytes(sent.read_bytes()[:-100])
    assert "pack sent.zip DIFFERS" in short.stager("verify", short.folder).stdout
    sent.unlink()
    assert short.stager("verify", short.folder).code == 0


@pytest.mark.parametrize("at", [-1, 8_000, 60_000])
def test_verify_finds_one_bit(short: Song, at: int) -> None:
    """One bit turned over in the samples, in the silence, or behind it, with a list of sums to match, is found."""
    assert short.stager("pack", short.folder, "--quick").code == 0
    assert short.stager("verify", short.folder).code == 0
    pack = short.folder / "pack"
    file = pack / faders(pack)["Voice L.wav"]["file"]
    old, raw = sha256(file), bytearray(file.read_bytes())
    raw[at] ^= 1
    file.write_bytes(raw)
    sums = pack / "sha256sums.txt"
    sums.write_text(sums.read_text("utf-8").replace(old, sha256(file)), "utf-8")
    done = short.stager("verify", short.folder)
    assert done.code == 1
    assert file.name in done.stdout


def test_a_pack_whose_stem_was_bounced_anew_is_stale(short: Song) -> None:
    """It is told, and is no difference."""
    assert short.stager("pack", short.folder, "--quick").code == 0
    short.put("harmonium.wav", white_noise(RATE // 2, seed=5), RATE)
    assert short.stage().code == 0
    done = short.stager("verify", short.folder, "--json")
    assert (done.code, done.json()["packs"][0]["stale"]) == (0, ["harmonium.wav"])


def test_originals_of_any_container_are_packed_to_the_bit(make_song: SongMaker) -> None:
    """AIFF and FLAC by sox among WAVE, nothing staged: ffmpeg reads the same samples from the pack as from them."""
    song = make_song(TOML)
    source = wavefile.write(song.folder / "source.wav", white_noise(RATE // 2, 2), RATE)
    for name in ("bells.aiff", "drone.flac"):
        line = ["sox", "-D", str(source), str(song.inbox / name)]
        subprocess.run(line, check=True, timeout=60)
        song.rest(name, 10.0)
    song.put("lute.wav", white_noise(RATE // 3, 2, seed=4), RATE, FLOAT)
    rough = wavefile.write(song.folder / "rough.wav", white_noise(RATE // 2, 2, seed=7), RATE)
    done = song.stager("pack", song.folder, "--originals", "--rough", rough, "--json")
    document, pack = done.json(), song.folder / "pack"
    assert (done.code, document["schema"], document["balance"]["residual_rms_dbfs"]) == (0, "stager/pack/1", None)
    for name, row in faders(pack).items():
        packed, original = by_ffmpeg(pack / row["file"], 2), by_ffmpeg(song.inbox / name, 2)
        assert (row["fader_db"], len(packed)) == ("0.00", RATE // 2)
        assert np.array_equal(packed[: len(original)], original)
        assert not packed[len(original) :].any()
    assert sha256(pack / "rough_mix.wav") == sha256(rough)
    assert song.outbox_names() == set()


@pytest.mark.long
@pytest.mark.skipif(sys.platform != "linux", reason="a process that forks is disturbed at a step of its own")
@pytest.mark.parametrize("more", [[], ["--zip", "--replace"], ["--replace"]], ids=["folder", "zip", "replace"])
def test_a_kill_leaves_no_half_pack(short: Song, tmp_path: Path, more: list[str]) -> None:
    """Kill -9 at 40 random steps, before, after or half-way: under its name lies a whole pack or nothing."""
    place = short.folder / ("sent.zip" if "--zip" in more else "sent")
    random, line = np.random.default_rng(19), ["pack", short.folder, place, "--quick", *more]
    assert short.stager(*line).code == 0
    with forks(tmp_path / "forks") as server:
        prepare(short, line, place)
        steps = server.run(*line, below=short.folder).steps
        for step in random.choice(len(steps), 40, replace=len(steps) < 40) + 1:
            prepare(short, line, place)
            deed = str(random.choice(["kill", "kill after", "kill half"]))
            assert server.run(*line, below=short.folder, step=int(step), deed=deed).code == KILLED
            assert not place.exists() or is_whole(place)
    prepare(short, line, place)
    assert short.stager(*line).code == 0
    assert not [path.name for path in short.folder.iterdir() if is_draft(path)]
    assert short.stager("verify", short.folder).code == 0


def prepare(song: Song, line: list[str | Path], place: Path) -> None:
    """Put a pack there where one is to be replaced, and take it away where not."""
    if "--replace" in line:
        assert place.exists() or song.stager(*line).code == 0
    elif place.exists():
        shutil.rmtree(place)
