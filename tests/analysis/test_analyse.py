"""One file from end to end: what it is, what it measures, and findings that need no project."""

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stager.analysis import analyse as room
from stager.analysis.analyse import StemAnalysis, analyse, not_finite_sentence
from stager.containers import AudioFile, KeptBytes
from stager.errors import ChangedStem, StillGrowingStem, TruncatedStem, UnreadableStem
from stager.model import Encoding, Fingerprint, Verdict
from tests.support.folders import written
from tests.support.signals import sine_block, white_noise
from tests.support.wavefile import float_wav, wav

AGE_S = 100.0


def heard_of(path: Path, content: bytes, *, take_cut: bool = False) -> StemAnalysis:
    return analyse(written(path, content, age_s=AGE_S), "bounces/a.wav", settle_s=1.0, take_cut=take_cut)


def codes(heard: StemAnalysis) -> list[str]:
    return [finding.code for finding in heard.findings(heard.levels())]


def test_what_a_file_is(tmp_path: Path) -> None:
    """The source as the sidecar names it: path as given, hash and size of every byte, stream."""
    content = wav(white_noise(24_000, 2), 24, after=[(b"LIST", b"abc")])
    source = heard_of(tmp_path / "a.wav", content).source
    assert source.path == "bounces/a.wav"
    assert source.path_bytes is None
    assert source.sha256 == hashlib.sha256(content).hexdigest()
    assert source.bytes == len(content)
    assert (source.container, source.encoding) == ("WAV", Encoding.PCM_24)
    assert (source.sample_rate_hz, source.channels, source.frames, source.duration_s) == (48_000, 2, 24_000, 0.5)


def test_fingerprint_is_that_of_the_file(tmp_path: Path) -> None:
    """The fingerprint says which file was heard."""
    heard = heard_of(tmp_path / "a.wav", wav(white_noise(100)))
    state = (tmp_path / "a.wav").stat()
    assert heard.fingerprint == Fingerprint(
        state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns
    )


def test_what_it_measures(tmp_path: Path) -> None:
    """A sine at half of full scale reads -6.02 in peak and average (AES17)."""
    levels = heard_of(tmp_path / "a.wav", wav(sine_block(1000.0, 1.0, peak=0.5))).measured.levels("sine", "loudest")
    assert levels.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-3)
    assert levels.average_dbfs == pytest.approx(-6.0206, abs=1e-3)


def test_undecodable_name_is_kept_in_bytes(tmp_path: Path) -> None:
    """A name that is no UTF-8 is kept in hex, so that its file can be found again."""
    named = os.fsdecode(b"bounces/k\xffck.wav")
    source = analyse(written(tmp_path / named, wav(white_noise(100)), age_s=AGE_S), named, settle_s=1.0).source
    assert (source.path, source.path_bytes) == (r"bounces/k\xffck.wav", b"bounces/k\xffck.wav".hex())


def test_undecodable_folder_is_kept_in_bytes(tmp_path: Path) -> None:
    """So is a name whose folder is no UTF-8, though its own is."""
    named = os.fsdecode(b"dr\xfcms/kick.wav")
    source = analyse(written(tmp_path / named, wav(white_noise(100)), age_s=AGE_S), named, settle_s=1.0).source
    assert (source.path, source.path_bytes) == (r"dr\xfcms/kick.wav", b"dr\xfcms/kick.wav".hex())


def test_source_is_called_as_it_is_named(tmp_path: Path) -> None:
    """What counts is the path as it is named, not where the file lies: a song can be moved."""
    path = written(tmp_path / os.fsdecode(b"s\xffng/kick.wav"), wav(white_noise(100)), age_s=AGE_S)
    source = analyse(path, "bounces/caf\u00e9.wav", settle_s=1.0).source
    assert (source.path, source.path_bytes) == ("bounces/caf\u00e9.wav", None)


@pytest.mark.parametrize("take_cut", [False, True])
def test_no_audio(tmp_path: Path, take_cut: bool) -> None:
    """What is no audio is refused, whatever else may be taken."""
    with pytest.raises(UnreadableStem, match="expected WAV, RF64"):
        heard_of(tmp_path / "a.wav", b"text", take_cut=take_cut)


def test_nothing_there(tmp_path: Path) -> None:
    """A name that nothing has is refused."""
    with pytest.raises(UnreadableStem, match="found nothing under this name"):
        analyse(tmp_path / "a.wav", "a.wav", settle_s=1.0)


def test_cut_file_is_refused(tmp_path: Path) -> None:
    """A file that was cut short is no stem."""
    with pytest.raises(TruncatedStem, match="header promises more"):
        heard_of(tmp_path / "a.wav", wav(white_noise(48_000))[:-1000])


def test_growing_file_is_refused(tmp_path: Path) -> None:
    """A file that is being written is waited for."""
    path = written(tmp_path / "a.wav", wav(white_noise(48_000))[:-1000])
    with pytest.raises(StillGrowingStem, match="still being written"):
        analyse(path, "a.wav", settle_s=60.0)


def test_cut_file_as_far_as_it_goes(tmp_path: Path) -> None:
    """Where no copy is made, a cut file is measured as it is and called corrupt, with where it ends."""
    heard = heard_of(tmp_path / "a.wav", wav(white_noise(48_000), 16)[:-48_000], take_cut=True)
    assert heard.cut_short
    (found,) = heard.findings(heard.levels())
    assert (found.code, found.verdict, found.at_s) == ("corrupt", Verdict.PLAY_AGAIN, (0.5,))
    assert found.says == "Cut short: its header promises more than the 0.50 s that are there."


class Meddler:
    """Stands in for the opened file, and does something to the disk at the first block."""

    def __init__(self, path: Path, content: bytes) -> None:
        self._path, self._content = path, content

    def __call__(self, wave: AudioFile, shown_path: str, before: Fingerprint, *, keep: bool) -> StemAnalysis:
        heard = self._read(wave, shown_path, before, keep=keep)
        written(self._path, self._content)
        return heard

    _read = staticmethod(room._read)


@pytest.mark.parametrize("same_bytes", [True, False])
def test_file_that_changes_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, same_bytes: bool) -> None:
    """A file that is written while it is read is refused, even where its bytes stay the same."""
    content = wav(white_noise(1000))
    monkeypatch.setattr(room, "_read", Meddler(tmp_path / "a.wav", content if same_bytes else wav(white_noise(999))))
    with pytest.raises(ChangedStem, match=r"a\.wav: expected one file from the first read to the last"):
        heard_of(tmp_path / "a.wav", content)


def test_file_that_is_replaced_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that is swapped for another under its name is refused as well."""
    content = wav(white_noise(1000))
    real = room._read

    def swapping(wave: AudioFile, shown_path: str, before: Fingerprint, *, keep: bool) -> StemAnalysis:
        written(tmp_path / "b", content, age_s=AGE_S).replace(tmp_path / "a.wav")
        return real(wave, shown_path, before, keep=keep)

    monkeypatch.setattr(room, "_read", swapping)
    with pytest.raises(ChangedStem, match="found it changed"):
        heard_of(tmp_path / "a.wav", content)


def test_sound_file_has_no_findings(tmp_path: Path) -> None:
    """A plain part has nothing to be told."""
    assert codes(heard_of(tmp_path / "a.wav", wav(white_noise(48_000)))) == []


def test_damage_comes_first(tmp_path: Path) -> None:
    """Of several findings the damage of the file itself comes first, and every one is told."""
    samples = np.zeros((48_000, 1))
    samples[100:110], samples[200], samples[300:304] = 1.0, np.nan, 1.5
    heard = heard_of(tmp_path / "a.wav", float_wav(samples)[:-4], take_cut=True)
    found = heard.findings(heard.levels())
    assert [finding.code for finding in found[:2]] == ["corrupt", "corrupt"]
    assert {"clipped", "over_full_scale"} <= {finding.code for finding in found[2:]}


@pytest.mark.parametrize("samples", [np.zeros(4800), white_noise(48_000) * 1e-5], ids=["zeros", "too quiet"])
def test_silent(tmp_path: Path, samples: np.ndarray) -> None:
    """Silence, and what is too quiet to measure, is told."""
    assert "silent" in codes(heard_of(tmp_path / "a.wav", float_wav(samples)))


@pytest.mark.parametrize(
    ("bad", "count"),
    [
        ([np.nan], "1 sample is"),
        ([1.1e18], "1 sample is"),
        ([-1.1e18, -np.inf], "2 samples are"),
        ([np.nan, np.inf, -np.inf], "3 samples are"),
    ],
    ids=["one", "beyond any level", "two", "three"],
)
def test_not_finite_sentence(tmp_path: Path, bad: list[float], count: str) -> None:
    """What is no level is counted, and the first place named."""
    samples = white_noise(48_000)
    samples[24_000 : 24_000 + len(bad), 0] = bad
    heard = heard_of(tmp_path / "a.wav", float_wav(samples))
    says = f"Damaged: {count} no level at all (NaN, infinity or beyond +360 dBFS), the first at 0.500 s."
    assert not_finite_sentence(heard.measured) == says
    (found,) = heard.findings(heard.levels())
    assert (found.code, found.at_s, found.says) == ("corrupt", (0.5,), says)


def test_original_is_left_alone(tmp_path: Path) -> None:
    """Hearing a file changes neither bytes nor times, and needs no right to write."""
    path = written(tmp_path / "a.wav", wav(white_noise(1000)), age_s=AGE_S)
    path.chmod(0o444)
    before = path.stat()
    analyse(path, "a.wav", settle_s=1.0)
    after = path.stat()
    assert (after.st_mtime_ns, after.st_ctime_ns, after.st_ino) == (
        before.st_mtime_ns,
        before.st_ctime_ns,
        before.st_ino,
    )


KEPT_SIZES = st.lists(st.integers(0, 40), min_size=1, max_size=12)


@given(sizes=KEPT_SIZES, start=st.integers(0, 300), count=st.integers(0, 300))
def test_kept_bytes_are_those_that_passed(sizes: list[int], start: int, count: int) -> None:
    """Whatever the pieces, any stretch of what was read comes back, and the digest saw it all."""
    pieces = [bytes((number * 7 + at) % 256 for at in range(size)) for number, size in enumerate(sizes)]
    whole, digest = b"".join(pieces), hashlib.sha256()
    kept = KeptBytes(digest)
    for piece in pieces:
        kept.update(piece)
    assert digest.digest() == hashlib.sha256(whole).digest()
    if start < len(whole):
        assert kept.read(start, count) == whole[start : start + count]


def test_a_short_wave_is_kept_where_asked(tmp_path: Path) -> None:
    """Every byte of the file is, those around the samples too; unasked, none is."""
    content = wav(white_noise(70_000), 24, after=[(b"LIST", b"abc")])
    path = written(tmp_path / "a.wav", content, age_s=AGE_S)
    kept = analyse(path, "a.wav", settle_s=1.0, keep=True).kept
    assert kept is not None
    assert kept.read(0, len(content)) == content
    assert analyse(path, "a.wav", settle_s=1.0).kept is None
