"""One mix from its file to its record."""

from pathlib import Path

import pytest

from stager.analysis.mix import examine_mix
from stager.errors import UnreadableStem
from stager.model import Verdict
from tests.support import wavefile
from tests.support.finished_mix import RATE, clean


def test_a_record_has_all_its_parts(tmp_path: Path) -> None:
    """Levels, targets, bands, sides and ends stand in the record; without coding there is none."""
    path = wavefile.write(tmp_path / "mix.wav", clean()[: 6 * RATE], RATE)
    found = examine_mix(path, with_coding=False)
    assert found.figures.plr_db == pytest.approx((found.levels.true_peak_dbtp or 0) - (found.levels.loudness_lufs or 0))
    assert (len(found.figures.bands), found.figures.coded, len(found.delivery)) == (7, (), 3)
    assert found.figures.sides is not None
    assert [finding.code for finding in found.findings] == ["end_cut"]
    assert found.verdict is Verdict.BOUNCE_AGAIN


def test_silence_has_nothing_to_lower(tmp_path: Path) -> None:
    """Digital silence is to be bounced again, and no codec is asked about it."""
    found = examine_mix(wavefile.write(tmp_path / "mix.wav", 0.0 * clean()[:RATE], RATE))
    assert (found.verdict, found.figures.coded, found.advice.change_db) == (Verdict.BOUNCE_AGAIN, (), 0.0)


def test_what_is_no_audio_is_refused(tmp_path: Path) -> None:
    """A text file raises what every reader raises."""
    (tmp_path / "mix.wav").write_text("no audio")
    with pytest.raises(UnreadableStem, match=r"mix\.wav: expected"):
        examine_mix(tmp_path / "mix.wav")
