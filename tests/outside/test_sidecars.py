"""What lies in the outbox beside the copies: the log of each, and the two tables."""

import csv
import json
import re
from datetime import datetime
from typing import Any

import pytest

from tests.support.command import Command
from tests.support.signals import silence, sine, stereo
from tests.support.song import Song

LISTED = """
    top-level: schema stem version source levels trim findings verdict advice copy steps project stager staged_at
    source: path sha256 bytes container encoding sample_rate_hz channels frames duration_s
    levels: sample_peak_dbfs sample_peak_at_s true_peak_dbtp true_peak_at_s average_dbfs average_ungated_dbfs
        average_reference vu_dbfs loudness_lufs loudness_range_lu loudness_momentary_max_lufs
        loudness_short_term_max_lufs crest_db active_ratio noise_floor_dbfs hum_dbfs hum_hz dc_offset_linear
        correlation side_balance_db mono_loss_db per_channel extra
    trim: gain_db wanted_gain_db decided_by because role link limited_by_stem bus_offset_db target measured_db
        ceiling_allows_db boost_allows_db predicted_average_dbfs predicted_true_peak_dbtp restore_fader_db
    trim.target: rule level_db reference channels tolerance_db ceiling_dbtp max_boost_db step_db
    copy: path sha256 encoding dither bit_identical sample_peak_dbfs true_peak_dbtp average_dbfs chunks not_carried
    copy.chunks: kept rewritten dropped
    project: name settings_sha256 file
    stager: version
"""
KEYS = {place: set(keys.split()) for place, keys in re.findall(r"(\S+):((?:\s+\w+\b(?!\S*:))+)", LISTED)}
"""The keys of the published schema stager/sidecar/1, by their place."""
STEMS = ("=1+1.wav", "-dash.wav", "drums/kick.wav", "plain.wav", "quiet.wav", "silent.wav", "@home, sweet.wav")


@pytest.fixture(scope="module")
def logged(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """A song with a subfolder, silence, names that spreadsheets take for formulas, and one stem that is no audio."""
    song = Song.made(stager, tmp_path_factory.mktemp("sidecars") / "song")
    for name in STEMS:
        song.put(name, silence(1) if name == "silent.wav" else stereo(sine(440, -10, 1)))
    (song.inbox / "=text.wav").write_text("no audio at all")
    assert song.stage().code == 1
    return song


def _at(sidecar: dict[str, Any], place: str) -> dict[str, Any]:
    for key in place.split(".") if place != "top-level" else ():
        sidecar = sidecar[key]
    return sidecar


@pytest.mark.parametrize("place", KEYS)
def test_every_key_of_the_schema_is_there(logged: Song, place: str) -> None:
    """The published keys of stager/sidecar/1 are all present in every sidecar, silence included."""
    for name in STEMS:
        sidecar = logged.sidecar(name)
        assert sidecar["schema"] == "stager/sidecar/1"
        assert KEYS[place] <= set(_at(sidecar, place))


def test_the_facts_of_the_original_are_right(logged: Song) -> None:
    """The sidecar's source is the file that was written: path, bytes, stream and length."""
    source = logged.sidecar("drums/kick.wav")["source"]
    assert source["path"] == "bounces/drums/kick.wav"
    assert source["bytes"] == (logged.inbox / "drums/kick.wav").stat().st_size
    assert (source["container"], source["encoding"]) == ("WAV", "PCM_24")
    assert (source["sample_rate_hz"], source["channels"], source["frames"]) == (48_000, 2, 48_000)
    assert source["duration_s"] == 1.0
    assert logged.sidecar("drums/kick.wav")["stem"] == "drums/kick.wav"


def test_silence_is_null_in_the_log(logged: Song) -> None:
    """No figure of a silent stem is a number that a script could take for a level."""
    levels = logged.sidecar("silent.wav")["levels"]
    assert {key for key, value in levels.items() if isinstance(value, float)} == {"active_ratio", "dc_offset_linear"}


def test_the_hour_is_one_that_machines_read(logged: Song) -> None:
    """`staged_at` is ISO 8601 with its offset from UTC."""
    assert datetime.fromisoformat(logged.sidecar("plain.wav")["staged_at"]).utcoffset() is not None


def test_the_reason_is_a_sentence(logged: Song) -> None:
    """`because` is one sentence, with the convention of the level that it names."""
    for name in STEMS:
        because = logged.sidecar(name)["trim"]["because"]
        assert re.fullmatch(r"[A-Z].*\.", because)
    assert re.search(r"dBFS.*\(.*(sine|AES17).*\)", logged.sidecar("plain.wav")["trim"]["because"])


def test_the_outbox_holds_nothing_else(logged: Song) -> None:
    """Beside copies and sidecars lie the two tables, and no draft; a refused stem has left nothing."""
    assert logged.outbox_names() == {*STEMS, *(f"{name}.json" for name in STEMS)}
    assert (logged.outbox / "report.json").is_file()
    assert (logged.outbox / "report.csv").is_file()


def test_report_json_holds_every_outcome(logged: Song) -> None:
    """`report.json` is stager/report/1: the sidecars as they lie beside the copies, and the refusals."""
    document = json.loads((logged.outbox / "report.json").read_text("utf-8"))
    outcomes = {outcome["stem"]: outcome for outcome in document["outcomes"]}
    assert document["schema"] == "stager/report/1"
    assert set(outcomes) == {*STEMS, "=text.wav"}
    assert outcomes["=text.wav"]["refused"] == "unreadable"
    for name in STEMS:
        assert outcomes[name] == logged.sidecar(name)


def test_report_csv_is_harmless_to_spreadsheets(logged: Song) -> None:
    """No text cell begins with a sign that spreadsheets take for a formula; numbers stay numbers (CSV injection)."""
    with (logged.outbox / "report.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(STEMS) + 1
    for row in rows:
        for cell in filter(None, row.values()):
            assert cell[0] not in "=+-@\t\r" or re.fullmatch(r"-?\d+\.\d+", cell)
    stems = {row["stem"].lstrip("'") for row in rows}
    assert stems == {*STEMS, "=text.wav"}


def test_report_csv_agrees_with_the_logs(logged: Song) -> None:
    """The trims of the table are those of the sidecars, to its two places."""
    with (logged.outbox / "report.csv").open(newline="") as file:
        trims = {row["stem"].lstrip("'"): row["trim_db"] for row in csv.DictReader(file)}
    for name in STEMS:
        assert float(trims[name]) == pytest.approx(logged.sidecar(name)["trim"]["gain_db"], abs=0.005)
