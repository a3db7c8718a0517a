"""One stem through the whole way: what is left is two sealed drafts, and of a failure nothing."""

import json
import os
import shutil
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from stager.errors import (
    ChangedStem,
    NameRefused,
    NoSpace,
    NotFiniteStem,
    PlaceError,
    StemError,
    TruncatedStem,
    WouldClip,
)
from stager.model import DecidedBy, StemName, Verdict, read_sidecar
from stager.staging import prepare as room
from stager.staging import render, stem
from stager.staging.outbox import sidecar_place
from stager.staging.prepare import Prepared, Unchanged, prepare, rehearse
from stager.staging.stem import StemJob
from stager.system.drafts import DRAFT_PREFIX
from tests.support.folders import tree, written
from tests.support.records import project
from tests.support.signals import Samples, sine_block, white_noise
from tests.support.wavefile import float_wav, wav

STEM = "kick.wav"


def job(folder: Path, content: bytes, text: str = "", **known: object) -> StemJob:
    song = project(folder, text)
    written(song.inbox / STEM, content, age_s=100.0)
    return StemJob(song, StemName(STEM), **known)


def prepared(work: StemJob) -> Prepared:
    found = prepare(work)
    assert isinstance(found, Prepared)
    return found


def digest(content: bytes) -> str:
    return sha256(content).hexdigest()


def quiet(seconds: float = 1.0) -> Samples:
    """A sine of -26.05 dBFS: 8 dB and a part of a step under the default target."""
    return sine_block(997.0, seconds, peak=10 ** (-26.05 / 20))


def test_two_sealed_drafts_and_no_more(tmp_path: Path) -> None:
    """What a stem leaves is the draft of its copy and of its sidecar; nothing is published, nothing else is written."""
    work = job(tmp_path, wav(quiet()))
    before = tree(tmp_path)
    made = prepared(work)
    new = {name: content for name, content in tree(tmp_path).items() if name not in before}
    assert {Path(name).parent.as_posix() for name in new} == {"staged"}
    assert all(Path(name).name.startswith(DRAFT_PREFIX) for name in new)
    assert len(new) == 2
    assert made.copy_draft.file.closed
    assert made.sidecar_draft.file.closed
    assert {name: content for name, content in tree(tmp_path).items() if name in before} == before


def test_sidecar_draft_is_the_sidecar(tmp_path: Path) -> None:
    """The draft of the sidecar holds the sidecar, and describes the draft of the copy."""
    made = prepared(job(tmp_path, wav(quiet())))
    assert read_sidecar(made.sidecar_draft.path.read_bytes()) == made.sidecar
    assert made.sidecar.copy_ is not None
    assert made.sidecar.copy_.sha256 == digest(made.copy_draft.path.read_bytes())


def test_discard_leaves_nothing(tmp_path: Path) -> None:
    """A prepared stem that isn't wanted leaves the outbox as it was."""
    work = job(tmp_path, wav(quiet()))
    before = tree(tmp_path)
    prepared(work).discard()
    assert tree(tmp_path) == before


def test_original_is_left_alone(tmp_path: Path) -> None:
    """Bytes, times and links of the original are those from before."""
    work = job(tmp_path, wav(quiet()))
    work.path.chmod(0o444)
    before = work.path.stat()
    prepared(work)
    after = work.path.stat()
    for name in ("st_ino", "st_size", "st_mtime_ns", "st_ctime_ns", "st_mode", "st_nlink"):
        assert getattr(after, name) == getattr(before, name)


def test_copy_reads_what_was_predicted(tmp_path: Path) -> None:
    """A sine at -26.05 is raised by 8 dB, and its copy, measured again, reads -18.05 dBFS (AES17)."""
    sidecar = prepared(job(tmp_path, wav(quiet()))).sidecar
    assert (sidecar.trim.decided_by, sidecar.trim.gain_db) == (DecidedBy.TARGET, 8.0)
    assert sidecar.copy_ is not None
    assert sidecar.copy_.average_dbfs == pytest.approx(sidecar.trim.predicted_average_dbfs, abs=0.01)
    assert sidecar.copy_.average_dbfs == pytest.approx(-18.05, abs=0.01)
    assert sidecar.copy_.true_peak_dbtp == pytest.approx(sidecar.trim.predicted_true_peak_dbtp, abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_copy_stays_under_the_ceiling(tmp_path: Path, seed: int) -> None:
    """A stem whose peaks stop it has a copy that does not pass the ceiling, dither included."""
    samples = white_noise(48_000, 2, seed=seed, rms=0.005)
    samples[20_000] = 0.4
    sidecar = prepared(job(tmp_path, wav(samples, 16))).sidecar
    assert sidecar.trim.decided_by is DecidedBy.CEILING
    assert sidecar.copy_ is not None
    assert sidecar.copy_.true_peak_dbtp is not None
    assert -3.2 <= sidecar.copy_.true_peak_dbtp <= -3.0 + 0.001


def test_without_a_trim_the_copy_is_the_original(tmp_path: Path) -> None:
    """A trim of 0 gives the file's bytes, without dither, and says so."""
    content = wav(sine_block(997.0, 1.0, peak=10 ** (-18 / 20)), after=[(b"PEAK", bytes(9))])
    made = prepared(job(tmp_path, content))
    assert made.copy_draft.path.read_bytes() == content
    assert made.sidecar.copy_ is not None
    assert (made.sidecar.copy_.bit_identical, made.sidecar.copy_.dither) == (True, "none")


DITHER = {
    "24-bit": (wav(quiet()), "", "tpdf"),
    "24-bit, dither off": (wav(quiet()), '[copy]\ndither = "none"\n', "none"),
    "float": (float_wav(quiet()), "", "none"),
}


@pytest.mark.parametrize(("content", "text", "dither"), DITHER.values(), ids=DITHER.keys())
def test_dither_is_written_down(tmp_path: Path, content: bytes, text: str, dither: str) -> None:
    """The sidecar says whether dither was used: on an integer grid, where the project wants it."""
    sidecar = prepared(job(tmp_path, content, text)).sidecar
    assert sidecar.copy_ is not None
    assert (sidecar.copy_.dither, sidecar.copy_.bit_identical) == (dither, False)


def test_float_copy_is_one_factor(tmp_path: Path) -> None:
    """Every sample of a float copy is the original's times the written gain."""
    samples = quiet().astype(np.float32)
    made = prepared(job(tmp_path, float_wav(samples)))
    factor = 10 ** (made.sidecar.trim.gain_db / 20)
    audio = np.frombuffer(made.copy_draft.path.read_bytes()[44:], np.float32)
    assert np.array_equal(audio, (samples[:, 0].astype(np.float64) * factor).astype(np.float32))


@pytest.mark.parametrize("encoding", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("bits", [16, 24])
def test_copy_in_another_encoding(tmp_path: Path, bits: int, encoding: str) -> None:
    """The copy has the encoding that the project asks for, dithered where its samples land on a grid again."""
    made = prepared(job(tmp_path, wav(quiet(), bits), f'[copy]\nencoding = "{encoding}"\n'))
    assert made.sidecar.copy_ is not None
    assert made.sidecar.copy_.encoding.value == encoding
    assert made.sidecar.copy_.dither == ("none" if encoding == "FLOAT" else "tpdf")
    assert made.sidecar.copy_.average_dbfs == pytest.approx(-18.05, abs=0.02)


@pytest.mark.parametrize(
    ("bits", "encoding", "dither"),
    [(24, "PCM_16", "tpdf"), (16, "PCM_24", "none"), (24, "PCM_24", "none"), (16, "FLOAT", "none")],
)
def test_dither_without_a_trim(tmp_path: Path, bits: int, encoding: str, dither: str) -> None:
    """Without a gain only a coarser grid is dithered: a finer one holds every code as it is."""
    content = wav(sine_block(997.0, 0.5, peak=10 ** (-18 / 20)), bits)
    copy = prepared(job(tmp_path, content, f'[copy]\nencoding = "{encoding}"\n')).sidecar.copy_
    assert copy is not None
    assert copy.dither == dither


@pytest.mark.parametrize("call", [prepare, rehearse])
def test_over_full_scale_into_an_integer_grid(tmp_path: Path, call: Callable[[StemJob], object]) -> None:
    """A float stem that is left over full scale does not fit integers: refused alike, for real and in rehearsal."""
    work = job(
        tmp_path, float_wav(sine_block(997.0, 0.5, peak=1.5)), '[target]\nrule = "leave"\n[copy]\nencoding = "PCM_24"\n'
    )
    with pytest.raises(WouldClip, match=r"within full scale for a copy in PCM_24, found \+3\.52 dBFS"):
        call(work)
    assert tree(work.project.outbox) == {}


def test_two_runs_make_the_same_copy(tmp_path: Path) -> None:
    """The same stem gives the same bytes, dither included."""
    work = job(tmp_path, wav(quiet(), 16))
    one, other = prepared(work), prepared(work)
    assert one.copy_draft.path.read_bytes() == other.copy_draft.path.read_bytes()


def test_role_and_target(tmp_path: Path) -> None:
    """A stem's role gives its rule, and stands in the decision."""
    text = '[[role]]\nname = "drum"\nmatch = ["kick*"]\ntarget = { rule = "peak", level_db = -10.0 }\n'
    sidecar = prepared(job(tmp_path, wav(quiet()), text)).sidecar
    assert (sidecar.trim.role, sidecar.trim.target.rule) == ("drum", "peak")
    assert sidecar.copy_ is not None
    assert sidecar.copy_.sample_peak_dbfs == pytest.approx(-10.0, abs=0.1)


def test_leave_over_the_ceiling(tmp_path: Path) -> None:
    """A stem that is left keeps its bytes over the ceiling, and that is found."""
    content = wav(sine_block(997.0, 1.0, peak=0.9))
    made = prepared(job(tmp_path, content, '[target]\nrule = "leave"\n'))
    assert made.copy_draft.path.read_bytes() == content
    assert "over_ceiling" in [finding.code for finding in made.sidecar.findings]


@pytest.mark.parametrize("samples", [np.zeros(48_000), sine_block(997.0, 1.0, peak=1e-5)], ids=["zeros", "too quiet"])
def test_silent_stem_is_copied_as_it_is(tmp_path: Path, samples: Samples) -> None:
    """Silence is staged bit by bit, and told."""
    content = wav(samples)
    made = prepared(job(tmp_path, content))
    assert made.sidecar.trim.decided_by is DecidedBy.SILENT
    assert made.copy_draft.path.read_bytes() == content
    assert "silent" in [finding.code for finding in made.sidecar.findings]


def test_rule_without_a_figure_falls_back(tmp_path: Path) -> None:
    """A stem too short for a loudness is brought to its average, and the sentence says so."""
    sidecar = prepared(job(tmp_path, wav(quiet(0.2)), '[target]\nrule = "loudness"\n')).sidecar
    assert sidecar.levels.loudness_lufs is None
    assert sidecar.trim.gain_db == 8.0
    assert sidecar.trim.target.rule == "loudness"
    assert "no loudness" in sidecar.trim.because


def test_deliberate_findings(tmp_path: Path) -> None:
    """What the project or the role allows is told, and leaves the verdict."""
    samples = sine_block(997.0, 1.0, peak=0.3)
    samples[100:120] = 1.0
    verdicts = {}
    for name, text in {"not": "", "project": '[project]\nallow = ["clipped"]\n'}.items():
        sidecar = prepared(job(tmp_path / name, wav(samples, 16), text)).sidecar
        assert "clipped" in [finding.code for finding in sidecar.findings]
        verdicts[name] = sidecar.verdict
    assert verdicts["not"] is Verdict.PLAY_AGAIN
    assert verdicts["project"] is not Verdict.PLAY_AGAIN


def test_paths_in_a_sidecar(tmp_path: Path) -> None:
    """Paths are relative to the project file, with `/`, so that a song can be moved."""
    song = project(tmp_path)
    written(song.inbox / "drums" / STEM, wav(quiet()))
    sidecar = prepared(StemJob(song, StemName(f"drums/{STEM}"))).sidecar
    assert (sidecar.stem, sidecar.source.path) == ("drums/kick.wav", "bounces/drums/kick.wav")
    assert sidecar.copy_ is not None
    assert sidecar.copy_.path == "staged/drums/kick.wav"


VERSIONS = {
    "first": ({}, 1),
    "another bounce": ({"former_sha256": "00", "version": 1}, 2),
    "a fifth bounce": ({"former_sha256": "00", "version": 4}, 5),
}


@pytest.mark.parametrize(("known", "version"), VERSIONS.values(), ids=VERSIONS.keys())
def test_version_counts_bounces(tmp_path: Path, known: dict[str, object], version: int) -> None:
    """The version rises with every other content of the stem."""
    assert prepared(job(tmp_path, wav(quiet()), "", **known)).sidecar.version == version


def test_version_stays_with_the_same_bytes(tmp_path: Path) -> None:
    """The same content staged once more, under other settings, is the same version."""
    content = wav(quiet())
    work = job(tmp_path, content, "", former_sha256=digest(content), version=3)
    assert prepared(work).sidecar.version == 3


def test_known_bytes_are_unchanged(tmp_path: Path) -> None:
    """Where the copy of these very bytes is up to date, nothing is made."""
    content = wav(quiet())
    work = job(tmp_path, content, "", known_sha256=digest(content))
    before = tree(tmp_path)
    assert isinstance(prepare(work), Unchanged)
    assert tree(tmp_path) == before


BAD: dict[str, tuple[bytes, type[Exception], str]] = {
    "not finite": (
        float_wav(np.where(np.arange(48_000) == 24_000, np.nan, 0.1)),
        NotFiniteStem,
        r"^kick\.wav: expected finite samples\. Damaged: 1 sample is no level at all .* first at 0\.500 s\.$",
    ),
    "cut": (wav(quiet())[:-999], TruncatedStem, "promises more"),
}


@pytest.mark.parametrize(("content", "error", "says"), BAD.values(), ids=BAD.keys())
@pytest.mark.parametrize("call", [prepare, rehearse])
def test_bad_stem_leaves_nothing(
    tmp_path: Path, content: bytes, error: type[Exception], says: str, call: Callable[[StemJob], object]
) -> None:
    """A stem that can't be staged is refused, for real and in rehearsal, and no draft is left."""
    work = job(tmp_path, content)
    before = tree(tmp_path)
    with pytest.raises(error, match=says):
        call(work)
    assert tree(tmp_path) == before


@pytest.mark.parametrize("call", [prepare, rehearse])
def test_name_without_room_leaves_nothing(tmp_path: Path, call: Callable[[StemJob], object]) -> None:
    """A name too long for its sidecar is refused before anything is written, for real and in rehearsal."""
    song = project(tmp_path)
    name = "k" * 247 + ".wav"
    written(song.inbox / name, wav(quiet()))
    with pytest.raises(NameRefused, match="255 bytes"):
        call(StemJob(song, StemName(name)))
    assert tree(song.outbox) == {}


def after(real: Callable[..., object], do: Callable[[], object]) -> Callable[..., object]:
    """Call the real function, then do something to the disk."""

    def both(*args: object, **keys: object) -> object:
        found = real(*args, **keys)
        do()
        return found

    return both


@pytest.mark.parametrize("moment", ["stem.analyse", "prepare.copy_place", "render.write_copy"])
@pytest.mark.parametrize(
    "other", [wav(white_noise(48_000)), wav(white_noise(100)), wav(quiet())], ids=["other", "short", "same"]
)
def test_stem_that_changes_on_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str, other: bytes
) -> None:
    """A stem that is written again at any moment before its copy is done is refused, and no draft is left."""
    work = job(tmp_path, wav(quiet()))
    moments = {"stem": stem, "prepare": room, "render": render}
    place, name = moments[moment.split(".", maxsplit=1)[0]], moment.split(".")[1]
    monkeypatch.setattr(place, name, after(getattr(place, name), lambda: written(work.path, other)))
    with pytest.raises(ChangedStem, match="found"):
        prepare(work)
    assert tree(work.project.outbox) == {}


def test_stem_that_vanishes_on_the_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stem that is gone before its copy is made is refused, and no draft is left."""
    work = job(tmp_path, wav(quiet()))
    monkeypatch.setattr(room, "copy_place", after(room.copy_place, work.path.unlink))
    with pytest.raises(StemError, match=r"kick\.wav"):
        prepare(work)
    assert tree(work.project.outbox) == {}


def test_disk_that_gives_back_other_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy that does not read back as it was written is a broken place, not a staged stem."""
    work = job(tmp_path, wav(quiet()))
    real = render._read_back

    def lying(*args: object) -> object:
        figures, _, difference = real(*args)
        return figures, "00", difference

    monkeypatch.setattr(render, "_read_back", lying)
    with pytest.raises(PlaceError, match="expected the copy as it was written, the disk gives back other bytes"):
        prepare(work)
    assert tree(work.project.outbox) == {}


@pytest.mark.parametrize("which", [1, 2], ids=["copy", "sidecar"])
def test_disk_that_fills_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: int) -> None:
    """Where the disk is full at the copy or at its sidecar, the place is broken and no draft is left."""
    work, calls = job(tmp_path, wav(quiet())), []

    def fsync(_descriptor: int) -> None:
        calls.append(1)
        if len(calls) == which:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(NoSpace, match="expected room to write"):
        prepare(work)
    assert tree(work.project.outbox) == {}


def test_rehearsal_writes_nothing_and_decides_alike(tmp_path: Path) -> None:
    """A dry run gives the sidecar that staging would, without a copy, and leaves the disk as it was."""
    work = job(tmp_path, wav(quiet()))
    before = tree(tmp_path)
    rehearsed = rehearse(work)
    assert tree(tmp_path) == before
    real = prepared(work).sidecar
    assert rehearsed.copy_ is None
    for name in ("stem", "source", "levels", "trim", "findings", "verdict", "project"):
        assert getattr(rehearsed, name) == getattr(real, name)


def test_outbox_is_not_needed_for_a_rehearsal(tmp_path: Path) -> None:
    """A dry run needs no outbox."""
    work = job(tmp_path, wav(quiet()))
    shutil.rmtree(work.project.outbox)
    assert rehearse(work).trim.gain_db == 8.0


def test_hints(tmp_path: Path) -> None:
    """A struck part under an average, and two roles for one stem, are hinted at."""
    roles = "".join(f'[[role]]\nname = "{name}"\nmatch = ["kick*"]\n' for name in ("drum", "low"))
    samples = white_noise(48_000, rms=0.003)
    samples[::4800] = 0.4
    hints = prepared(job(tmp_path, wav(samples), roles)).hints
    assert [hint.once for hint in hints] == ["percussive", "roles of kick.wav"]


def test_overview_is_kept(tmp_path: Path) -> None:
    """The picture of the stem is handed on."""
    overview = prepared(job(tmp_path, wav(quiet()))).overview
    assert overview is not None
    assert overview.pairs.shape == (1, 1000, 2)


def test_settings_are_stamped(tmp_path: Path) -> None:
    """The sidecar says under which settings the stem was staged."""
    work = job(tmp_path, wav(quiet()), '[project]\nname = "Salt Road"\n')
    stamp = prepared(work).sidecar.project
    assert (stamp.name, stamp.settings_sha256) == ("Salt Road", work.project.settings_sha256_for(STEM))


def test_sidecar_is_named_for_its_copy(tmp_path: Path) -> None:
    """The drafts lie in the folder of the copy, so that renaming them crosses no disk."""
    made = prepared(job(tmp_path, wav(quiet())))
    assert made.copy_draft.path.parent == made.sidecar_draft.path.parent == made.place.path.parent
    assert sidecar_place(made.place.path).name == "kick.wav.json"


def test_json_has_no_infinity(tmp_path: Path) -> None:
    """Nothing in a sidecar is NaN or infinite, of silence least of all."""

    def refuse(name: str) -> object:
        raise AssertionError(name)

    for name, samples in {"a": np.zeros((48_000, 2)), "b": white_noise(10), "c": white_noise(48_000, 2)}.items():
        text = prepared(job(tmp_path / name, wav(samples))).sidecar.to_json()
        json.loads(text, parse_constant=refuse)


def test_undecodable_name_is_staged(tmp_path: Path) -> None:
    """A stem whose name is no UTF-8 is staged under its printed name, with its bytes kept."""
    song = project(tmp_path)
    name = os.fsdecode(b"k\xffck.wav")
    written(song.inbox / name, wav(quiet()))
    sidecar = prepared(StemJob(song, StemName(name))).sidecar
    assert sidecar.stem == r"k\xffck.wav"
    assert (sidecar.source.path, sidecar.source.path_bytes) == (
        r"bounces/k\xffck.wav",
        b"bounces/k\xffck.wav".hex(),
    )


def test_undecodable_folder_is_staged(tmp_path: Path) -> None:
    """So is a stem in a folder whose name is no UTF-8; the bytes are those from the project file on, not from above."""
    song = project(tmp_path / os.fsdecode(b"s\xffng"))
    written(song.inbox / os.fsdecode(b"dr\xfcms") / STEM, wav(quiet()))
    source = prepared(StemJob(song, StemName(os.fsdecode(b"dr\xfcms/kick.wav")))).sidecar.source
    assert (source.path, source.path_bytes) == (r"bounces/dr\xfcms/kick.wav", b"bounces/dr\xfcms/kick.wav".hex())


@pytest.mark.parametrize("call", [prepare, rehearse])
def test_clash_is_refused_before_reading(tmp_path: Path, call: Callable[[StemJob], object]) -> None:
    """A stem whose copy can't have its name is refused with why, for real and in rehearsal, and is not read."""
    work = job(tmp_path, b"text", clash="two of a kind")
    with pytest.raises(NameRefused, match=r"^[^:]+: two of a kind$"):
        call(work)
    assert tree(work.project.outbox) == {}


@pytest.mark.parametrize("rule", ["average", "loudness", "vu", "peak"])
def test_too_quiet_under_any_rule(tmp_path: Path, rule: str) -> None:
    """A stem without sound above the gate keeps its bytes under every rule, a rule by peak too."""
    content = wav(sine_block(997.0, 1.0, peak=1e-4), 24)
    made = prepared(job(tmp_path, content, f'[target]\nrule = "{rule}"\nlevel_db = -20.0\n'))
    trim = made.sidecar.trim
    assert (trim.decided_by, trim.gain_db) == (DecidedBy.SILENT, 0.0)
    assert trim.because == "Left as it is: too quiet to measure, no sound in it rises above -70 dBFS."
    assert made.copy_draft.path.read_bytes() == content


def test_silence_that_is_to_be_left(tmp_path: Path) -> None:
    """The rule `leave` decides over silence as well."""
    made = prepared(job(tmp_path, wav(np.zeros(48_000)), '[target]\nrule = "leave"\n'))
    assert made.sidecar.trim.decided_by is DecidedBy.LEAVE
    assert made.sidecar.trim.because == "Left as it is: its rule is to be left."


@pytest.mark.parametrize(
    ("level_db", "by", "gain_db"), [(-0.2, DecidedBy.TOLERANCE, 0.0), (3.0, DecidedBy.CEILING, -0.1)]
)
def test_guard_of_the_last_steps(tmp_path: Path, level_db: float, by: DecidedBy, gain_db: float) -> None:
    """A stem at the top code under a ceiling of 0 is left where the target lets it; rewritten, it keeps clear of it."""
    samples = sine_block(100.0, 1.0, peak=32_767 / 32_768)
    text = f"[target]\nceiling_dbtp = 0.0\nlevel_db = {level_db}\ntolerance_db = 0.5\ni_mean_it = true\n"
    content = wav(samples, 16)
    made = prepared(job(tmp_path, content, text))
    assert (made.sidecar.trim.decided_by, made.sidecar.trim.gain_db) == (by, gain_db)
    assert (made.copy_draft.path.read_bytes() == content) is (gain_db == 0.0)
