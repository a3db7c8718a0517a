"""Trim 0 gives the file itself, whatever it is; a trim and its opposite in float64 give every sample back."""

import filecmp
from pathlib import Path

import numpy as np
import pytest

from tests.roundtrip.originals import LATE, OLD_LINE, TOML, originals, part
from tests.support import foreign_files, layouts
from tests.support.layouts import bext, wide
from tests.support.song import SongMaker
from tests.support.wavefile import DOUBLE, PCM_24

pytestmark = pytest.mark.long

EXACT = '[target]\nrule = "peak"\nlevel_db = {}\ntolerance_db = 0.0\nmax_boost_db = 40.0\ni_mean_it = true\n'


def test_trim_0_is_the_file_itself(make_song: SongMaker) -> None:
    """Every original of every container, damaged tails and all, is its copy to the byte where nothing changes (cmp)."""
    song = make_song('[target]\nrule = "leave"\n')
    for name, original in originals().items():
        (song.inbox / name).write_bytes(original.content)
    (song.inbox / "tail.wav").write_bytes(originals()["mono_24.wav"].content + b"behind the end")
    for name, form in (("a.aif", "AIFF"), ("c.caf", "CAF"), ("f.flac", "FLAC")):
        (song.inbox / name).write_bytes(foreign_files.written(part(20_001, 2, 5), form, "PCM_24"))
    outcomes = song.outcomes()
    assert len(outcomes) == len(originals()) + 4
    for name, outcome in outcomes.items():
        assert filecmp.cmp(song.inbox / name, song.outbox / name, shallow=False), name
        copy = outcome["copy"]
        assert outcome["trim"]["gain_db"] == 0.0
        assert (copy["bit_identical"], copy["dither"], copy["not_carried"]) == (True, "none", [])
        assert copy["chunks"]["rewritten"] == copy["chunks"]["dropped"] == []


@pytest.mark.parametrize("gain_db", [3.0, 7.7, 20.0])
def test_there_and_back_by_the_command(make_song: SongMaker, gain_db: float) -> None:
    """Raised by a trim and lowered by the same, a float64 stem is within 1e-15 of itself (10^x times 10^-x)."""
    samples = part(20_001, 2, 31)
    samples *= 10 ** (-30 / 20) / np.abs(samples).max()
    there = make_song(EXACT.format(-30.0 + gain_db), name="there")
    there.put("a.wav", samples, kind=DOUBLE)
    assert there.outcome("a.wav")["trim"]["gain_db"] == pytest.approx(gain_db, abs=1e-9)
    back = make_song(EXACT.format(-30.0), name="back")
    (back.inbox / "a.wav").write_bytes((there.outbox / "a.wav").read_bytes())
    assert back.outcome("a.wav")["trim"]["gain_db"] == pytest.approx(-gain_db, abs=1e-9)
    found = back.copy("a.wav").samples()
    assert np.abs(found - samples).max() <= 1e-15 * np.abs(samples).max()
    assert np.abs(found[samples != 0] / samples[samples != 0] - 1.0).max() <= 1e-15


def test_a_rewritten_chunk_of_the_table(make_song: SongMaker) -> None:
    """A bext whose size stands in ds64 alone grows by a line like any other; the copy is whole (EBU Tech 3306)."""
    song = make_song(TOML)
    stamped = bext(1, time_reference=LATE, history=OLD_LINE)
    content = wide(b"RF64", part(20_001, 2, 7), PCM_24, before=[(b"bext", stamped)], in_table=(b"bext",))
    (song.inbox / "a.rf64").write_bytes(content)
    assert song.stage().code == 0
    copy = layouts.read(Path(song.outbox / "a.rf64"))
    assert copy.payload(b"bext")[:602] == stamped[:602]
    assert copy.stated_bytes == copy.file_bytes
