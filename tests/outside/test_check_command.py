"""`stager check`: one document for scripts, a page for people, and not one byte written, beside a watch or without."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S, Command, Result
from tests.support.reference_levels import db, linear, true_peak_dbtp
from tests.support.signals import band_limited_noise, sine
from tests.support.song import Song, SongMaker, tree
from tests.support.wavefile import FLOAT

pytestmark = pytest.mark.long

RATE: Final = 48_000
FRAMES: Final = 3 * RATE
LEVELS_DBFS: Final = (-24.0, -21.0, -27.0, -30.0)
NAMES: Final = ("oar_drum.wav", "reed_organ.wav", "salt_harp.wav", "low_voice.wav")
BUS_KEYS: Final = ("sample_peak_dbfs", "true_peak_dbtp", "loudness_lufs", "at_s", "loudest", "uniform_offset_db")


def filled(song: Song) -> Song:
    """Put four stereo parts of independent noise into a song."""
    rng = np.random.default_rng(5)
    for name, level_dbfs in zip(NAMES, LEVELS_DBFS, strict=True):
        song.put(name, band_limited_noise(rng, level_dbfs, FRAMES, 2), RATE, FLOAT)
    return song


def check(song: Song, *args: str | Path) -> Result:
    """Check a project; fails where anything in it is another file afterwards, or there is one more or less."""
    before = tree(song.folder)
    result = song.stager("check", song.folder, *args)
    assert tree(song.folder) == before, "check wrote something"
    return result


def records(value: Any) -> Iterator[dict[str, Any]]:
    """Yield every record inside a document, however deep."""
    if isinstance(value, dict):
        yield value
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from records(inner)


def copied(song: Song, name: str, of: str) -> None:
    """Put a copy of a part beside it, 10 ms later: a finding to listen to."""
    samples = song.original(of).samples()
    song.put(name, np.concatenate((np.zeros((480, 2)), samples))[:FRAMES], RATE, FLOAT)


@pytest.mark.parametrize("staged", [False, True], ids=["before staging", "after staging"])
def test_the_document_has_the_contract_s_shape(song: Song, staged: bool) -> None:
    """stager/check/1: findings of the set, the bus, the links proposed and the doubles, each with its keys."""
    filled(song)
    assert not staged or song.stage().code == 0
    result = check(song, "--json")
    document = result.json()
    assert result.code == 0
    assert document["schema"] == "stager/check/1"
    assert set(BUS_KEYS) <= set(document["bus"])
    for finding in document["findings"]:
        assert {"code", "verdict", "stems", "at_s", "measured", "says"} <= set(finding)
    for link in document["links_proposed"]:
        assert {"match", "says"} <= set(link)
    for double in document["doubles"]:
        assert {"stems", "kind", "lag_ms", "spread_ms", "says"} <= set(double)


def test_the_bus_is_the_sum_of_the_copies(song: Song) -> None:
    """Stereo parts at unity faders, added by numpy: the same sample peak and place, the true peak within 0.05 dB."""
    filled(song)
    assert song.stage().code == 0
    total = np.sum([song.copy(name).samples() for name in NAMES], axis=0)
    bus = check(song, "--json").json()["bus"]
    assert bus["sample_peak_dbfs"] == pytest.approx(db(np.abs(total).max()), abs=0.01)
    assert bus["true_peak_dbtp"] == pytest.approx(true_peak_dbtp(total), abs=0.05)
    at = round(bus["at_s"] * RATE)
    assert true_peak_dbtp(total[max(0, at - 960) : at + 960]) == pytest.approx(bus["true_peak_dbtp"], abs=0.1)


def test_before_staging_the_bus_is_what_the_trims_will_make_of_it(song: Song) -> None:
    """Forecast from originals and their trims, and from the copies once they are there: the same to 0.01 dB."""
    filled(song)
    before = check(song, "--json").json()["bus"]
    assert song.stage().code == 0
    after = check(song, "--json").json()["bus"]
    assert before["sample_peak_dbfs"] == pytest.approx(after["sample_peak_dbfs"], abs=0.01)
    assert before["true_peak_dbtp"] == pytest.approx(after["true_peak_dbtp"], abs=0.01)
    assert before["loudness_lufs"] == pytest.approx(after["loudness_lufs"], abs=0.01)


def test_people_read_the_same(song: Song) -> None:
    """Without --json: each finding's stems, the bus's true peak with its unit, and no JSON."""
    filled(song)
    copied(song, "far_organ.wav", "reed_organ.wav")
    document, page = check(song, "--json").json(), check(song).stdout
    assert "dBTP" in page
    assert f"{document['bus']['true_peak_dbtp']:.1f}".lstrip("+-") in page
    named = {stem for finding in document["findings"] if finding["verdict"] != "usable" for stem in finding["stems"]}
    assert {"far_organ.wav", "reed_organ.wav"} <= named
    assert all(stem in page for stem in named)
    with pytest.raises(json.JSONDecodeError):
        json.loads(page)


def test_results_go_to_stdout_and_talk_to_stderr(song: Song) -> None:
    """One document on stdout, whatever is said beside it."""
    filled(song)
    result = check(song, "--json")
    assert result.stdout.startswith("{")
    assert result.stdout.rstrip().endswith("}")


def test_it_writes_nothing_in_a_folder_that_was_never_staged(song: Song) -> None:
    """No ledger, no lock, no overview: the project's folder has nothing that was not there."""
    filled(song)
    assert check(song).code == 0
    assert {path.name for path in song.folder.iterdir()} == {"stager.toml", "bounces", "staged"}
    assert song.outbox_names() == set()


def test_it_runs_where_it_may_not_write(song: Song) -> None:
    """A project on a read-only place is checked like any other (an ordinary user's permissions)."""
    filled(song)
    folders = [song.folder, song.inbox, song.outbox]
    for folder in folders:
        folder.chmod(0o555)
    try:
        result = song.stager("check", song.folder, "--json", obey_permissions=True)
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert result.code == 0
    assert result.json()["schema"] == "stager/check/1"


def test_it_takes_no_lock_and_runs_beside_a_watch(make_song: SongMaker, tmp_path: Path) -> None:
    """While a watch holds the project, `check` answers with 0, twice at once, and the watch goes on."""
    song, log = filled(make_song('[project]\nname = "Salt Road"\nsettle_s = 0.2\n')), tmp_path / "log"
    with song.stager.started("watch", song.folder, log=log) as watch:
        deadline = time.monotonic() + HUNG_S
        while not all((song.outbox / f"{name}.json").is_file() for name in NAMES):
            assert time.monotonic() < deadline, "hung"
            assert watch.poll() is None
            time.sleep(0.05)
        line = song.stager.line("check", song.folder, "--json")
        other = subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        result = song.stager("check", song.folder, "--json")
        shown, _ = other.communicate(timeout=HUNG_S)
        assert watch.poll() is None
    assert (result.code, other.returncode) == (0, 0)
    assert json.loads(shown)["bus"] == result.json()["bus"]


def test_fail_on_listen_is_1_only_where_there_is_something_to_listen_to(make_song: SongMaker) -> None:
    """A copied take is `listen`: exit 1 with --fail-on listen, 0 without it, and 0 with --fail-on play_again."""
    song = filled(make_song('[project]\nname = "Salt Road"\n[[allow]]\ncode = "noise_raised"\nmatch = ["*"]\n'))
    assert check(song, "--fail-on", "listen").code == 0
    copied(song, "far_organ.wav", "reed_organ.wav")
    assert check(song, "--fail-on", "listen").code == 1
    assert check(song, "--fail-on", "play_again").code == 0
    assert check(song).code == 0


def test_a_stem_that_can_t_be_read_is_1_and_the_rest_is_checked(song: Song) -> None:
    """A refused stem is exit 1, named on the way, and the bus is the others'."""
    filled(song)
    whole = check(song, "--json").json()["bus"]["true_peak_dbtp"]
    (song.inbox / "broken.wav").write_bytes(b"no audio at all")
    song.rest("broken.wav")
    result = check(song, "--json")
    assert result.code == 1
    assert "broken.wav" in result.stdout + result.stderr
    assert result.json()["bus"]["true_peak_dbtp"] == pytest.approx(whole, abs=0.001)


@pytest.mark.parametrize(
    ("toml", "word"), [("[target]\nlevel = -18.0\n", "level"), ("[bus]\nceiling_dbtp = 3.0\n", "ceiling_dbtp")]
)
def test_a_bad_project_file_is_2(make_song: SongMaker, toml: str, word: str) -> None:
    """An unknown key and a value out of range: exit 2, the key on stderr, nothing on stdout."""
    result = check(make_song(toml), "--json")
    assert result.code == 2
    assert word in result.stderr
    assert result.stdout == ""


def test_no_such_project_is_2(stager: Command, tmp_path: Path) -> None:
    """A folder without a project file, and one that is not there: exit 2 with a sentence."""
    for folder in (tmp_path, tmp_path / "nowhere"):
        result = stager("check", folder)
        assert result.code == 2
        assert folder.name in result.stderr


def test_an_empty_inbox_is_0_with_a_sentence(song: Song) -> None:
    """Nothing to check is no failure: exit 0, and JSON whose bus has no level."""
    result = check(song)
    assert result.code == 0
    assert (result.stdout + result.stderr).strip()
    document = check(song, "--json").json()
    assert document["findings"] == []
    assert document["bus"] is None or document["bus"]["true_peak_dbtp"] is None


def test_for_says_what_room_more_parts_leave(song: Song) -> None:
    """N independent noises of one level and 12 more: the bus rises by 10 log10((N + 12) / N)."""
    rng = np.random.default_rng(6)
    for name in NAMES:
        song.put(name, band_limited_noise(rng, -24.0, FRAMES, 2), RATE, FLOAT)
    bus = check(song, "--json").json()["bus"]
    rooms = [record for record in records(check(song, "--for", "12", "--json").json()) if record.get("more") == 12]
    assert len(rooms) == 1
    rise_db = 10 * np.log10((len(NAMES) + 12) / len(NAMES))
    assert rooms[0]["rise_db"] == pytest.approx(rise_db, abs=0.1)
    assert rooms[0]["true_peak_dbtp"] == pytest.approx(bus["true_peak_dbtp"] + rise_db, abs=0.15)
    assert "12" in check(song, "--for", "12").stdout


@pytest.mark.parametrize("more", ["-1", "many"])
def test_for_wants_a_count(song: Song, more: str) -> None:
    """No count, no forecast: exit 2, and the option is named."""
    result = check(filled(song), "--for", more)
    assert result.code == 2
    assert "--for" in result.stderr


@pytest.mark.parametrize("whole", [True, False], ids=["adds up", "a part is missing"])
def test_a_rough_mix_is_compared_with_the_stems(song: Song, tmp_path: Path, whole: bool) -> None:
    """The sum of the originals, 3 dB down, adds up; with a part in it that no stem has it does not, where it plays."""
    filled(song)
    mix = linear(-3.0) * np.sum([song.original(name).samples() for name in NAMES], axis=0)
    if not whole:
        extra = sine(700.0, -12.0, 1.0)[:, None]
        mix[RATE : 2 * RATE] += extra
    rough = wavefile.write(tmp_path / "rough.wav", mix, RATE, FLOAT)
    before = rough.read_bytes()
    found = [r for r in records(check(song, "--rough", rough, "--json").json()) if "adds_up" in r]
    assert len(found) == 1
    assert found[0]["adds_up"] is whole
    assert rough.read_bytes() == before
    if whole:
        assert found[0]["gain_db"] == pytest.approx(-3.0, abs=0.01)
        assert abs(found[0]["lag_s"]) < 1 / RATE
    else:
        places = found[0]["places"]
        assert places
        assert min(place["start_s"] for place in places) < 2.0 < max(place["end_s"] for place in places) + 0.5
        assert all(place["start_s"] < 2.0 and place["end_s"] > 1.0 for place in places)


def test_a_rough_mix_that_is_not_there_is_2(song: Song, tmp_path: Path) -> None:
    """A named file that is missing is said, with exit 2."""
    result = check(filled(song), "--rough", tmp_path / "nothing.wav")
    assert result.code == 2
    assert "nothing.wav" in result.stderr


def test_check_proves_the_restored_balance(song: Song) -> None:
    """The copies behind their faders less the originals: under -120 dB of full scale for float stems, and said so."""
    filled(song)
    assert song.stage().code == 0
    found = [record for record in records(check(song, "--json").json()) if "restored" in record]
    assert len(found) == 1
    assert found[0]["restored"] is True
    assert found[0]["residual_rms_dbfs"] is None or found[0]["residual_rms_dbfs"] < -120.0


def test_help_imports_no_audio_library(stager: Command) -> None:
    """`check --help` waits for numpy no more than the other commands do (the interpreter's own account)."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", stager.path, "check", "--help"],
        capture_output=True,
        timeout=HUNG_S,
        check=True,
    )
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in done.stderr.decode().splitlines()}
    assert imported.isdisjoint({"numba", "numpy", "scipy", "soundfile"})
    assert all(option in done.stdout.decode() for option in ("--json", "--fail-on", "--for", "--rough"))
