"""Exit statuses, JSON shapes and options of the commands that run once."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.support.command import HUNG_S, Command
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, sha256, tree
from tests.support.wavefile import FLOAT, PCM_16

HEAVY = ("numba", "numpy", "scipy", "pedalboard", "soundfile")
COMMANDS = ("demo", "new", "stage", "watch", "measure", "schema")


@pytest.mark.parametrize("args", [("--help",), ("stage", "--help"), ("--version",)], ids=" ".join)
def test_help_waits_for_no_library(stager: Command, args: tuple[str, ...]) -> None:
    """After --help no audio or compiler library has been imported, by the interpreter's own account (-X importtime)."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", stager.path, *args], capture_output=True, timeout=HUNG_S, check=True
    )
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in done.stderr.decode().splitlines()}
    assert "stager" in imported
    assert imported.isdisjoint(HEAVY)


def test_help_names_every_command(stager: Command) -> None:
    """The help lists the commands of this version, and calling without one shows it too."""
    shown = stager("--help")
    assert shown.code == 0
    for command in COMMANDS:
        assert f" {command} " in shown.stdout
        assert stager(command, "--help").code == 0
    assert "Usage" in stager().stdout + stager().stderr


def test_new_makes_a_project_that_runs(stager: Command, tmp_path: Path) -> None:
    """`new` writes both folders and a project file that `stage` takes as it is; an empty inbox is exit 0 with words."""
    assert stager("new", tmp_path / "Salt Road").code == 0
    assert {path.name for path in (tmp_path / "Salt Road").iterdir()} == {"stager.toml", "bounces", "staged", ".stager"}
    result = stager("stage", cwd=tmp_path / "Salt Road")
    assert result.code == 0
    assert "othing to stage" in result.stderr


def test_new_leaves_a_project_alone(song: Song) -> None:
    """`new` on a project that exists is exit 2, and its file stays as it is."""
    before = tree(song.folder)
    assert song.stager("new", song.folder).code == 2
    assert tree(song.folder) == before


def test_schema_is_a_json_schema(stager: Command) -> None:
    """`schema` prints one JSON document with the tables of the project file and no unknown keys allowed."""
    document = stager("schema").json()
    assert "$schema" in document
    assert {"project", "target", "role", "link", "copy", "bus"} <= set(document["properties"])
    assert document["additionalProperties"] is False


def test_an_empty_inbox_is_done(song: Song) -> None:
    """Without audio there is a sentence on stderr, an empty list in JSON, and exit 0."""
    (song.inbox / "notes.txt").write_text("no audio")
    result = song.stage("--json")
    assert result.json() == {"schema": "stager/stage/1", "outcomes": []}
    assert result.code == 0
    assert result.stderr.strip().endswith(".")


def test_json_is_the_sidecars(song: Song) -> None:
    """`stage --json` prints the sidecars as they lie beside the copies, and nothing else on stdout."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    song.put("b/c.wav", sine(440, -10.0, 0.5))
    document = song.stage("--json").json()
    assert document["schema"] == "stager/stage/1"
    assert [outcome["stem"] for outcome in document["outcomes"]] == ["a.wav", "b/c.wav"]
    for outcome in document["outcomes"]:
        assert outcome == song.sidecar(outcome["stem"])


def test_measure_json_shape(stager: Command, tmp_path: Path, song: Song) -> None:
    """`measure --json` is stager/measure/1: source, levels, findings, verdict, advice of each file, in their order."""
    first, second = song.put("b.wav", sine(440, -30.0, 0.5)), song.put("a.wav", sine(440, -10.0, 0.5))
    before = tree(song.folder)
    document = stager("measure", first, second, "--json", cwd=tmp_path).json()
    assert document["schema"] == "stager/measure/1"
    assert [set(stem) for stem in document["stems"]] == [{"source", "levels", "findings", "verdict", "advice"}] * 2
    peaks = [stem["levels"]["sample_peak_dbfs"] for stem in document["stems"]]
    assert peaks == pytest.approx([-30.0, -10.0], abs=0.01)
    assert tree(song.folder) == before


def test_measure_names_its_convention_in_the_table(song: Song) -> None:
    """No average is printed without its reference: AES17 for sine, and the square when asked for."""
    file = song.put("a.wav", sine(440, -30.0, 0.5))
    assert "sine" in song.stager("measure", file).stdout
    assert "square" in song.stager("measure", file, "--reference", "square").stdout


def test_the_table_names_its_convention(song: Song) -> None:
    """So is no average of a staged stem."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    assert "sine" in song.stage().stdout


def test_only_stages_what_matches(song: Song) -> None:
    """`--only` takes patterns, more than one, case folded; other stems stay unstaged."""
    for name in ("voice_lead.wav", "Voice_high.WAV", "drums/kick.wav", "bass.wav"):
        song.put(name, sine(440, -30.0, 0.3))
    assert set(song.outcomes("--only", "voice*", "--only", "drums/*")) == {
        "voice_lead.wav",
        "Voice_high.WAV",
        "drums/kick.wav",
    }
    assert "bass.wav" not in song.outbox_names()
    assert song.stage("--only", "nothing*").code == 0


@pytest.mark.parametrize("fresh", [True, False], ids=["never staged", "staged before"])
def test_a_dry_run_writes_nothing(song: Song, fresh: bool) -> None:
    """`--dry-run` decides and shows, and not one file or time stamp of the project changes."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    if fresh:
        song.outbox.rmdir()
    else:
        song.stage()
        song.put("a.wav", sine(440, -25.0, 0.5))
    before = tree(song.folder)
    outcome = song.outcome("a.wav", "--dry-run")
    assert outcome["trim"]["gain_db"] == (12.0 if fresh else 7.0) or outcome["trim"]["gain_db"] in (11.9, 6.9)
    assert outcome["copy"] is None
    assert tree(song.folder) == before


def test_a_dry_run_decides_as_the_run_does(song: Song) -> None:
    """What a dry run shows is what the run then does: levels, trim and findings to the last digit."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    song.put("hot.wav", 2.0 * sine(440, 0.0, 0.5), kind=FLOAT)
    rehearsed, staged = song.outcomes("--dry-run"), song.outcomes()
    for name in ("a.wav", "hot.wav"):
        for key in ("source", "levels", "trim", "findings", "verdict", "project", "version"):
            assert rehearsed[name][key] == staged[name][key]


def test_a_dry_run_of_a_bad_stem_is_exit_1(song: Song) -> None:
    """A dry run has the exit status and the refusal, word for word, that the run would have."""
    (song.inbox / "sub").mkdir()
    (song.inbox / "sub/text.wav").write_text("words")
    rehearsed, staged = song.stage("--json", "--dry-run"), song.stage("--json")
    assert (rehearsed.code, staged.code) == (1, 1)
    assert rehearsed.json() == staged.json()


def test_a_dry_run_of_a_re_bounce_names_its_version(song: Song) -> None:
    """A dry run of a stem that was bounced anew shows the version that the run would write: 2."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    song.stage()
    song.put("a.wav", sine(440, -25.0, 0.5))
    assert song.outcome("a.wav", "--dry-run")["version"] == 2


def _clipped() -> np.ndarray:
    return np.clip(1.5 * sine(200, 0.0, 0.5), -1.0, 1.0)


@pytest.mark.parametrize(
    ("fail_on", "name", "code"),
    [
        (None, "clipped.wav", 0),
        ("listen", "clipped.wav", 1),
        ("play_again", "clipped.wav", 1),
        ("listen", "hot.wav", 1),
        ("play_again", "hot.wav", 0),
        ("listen", "fine.wav", 0),
    ],
)
def test_fail_on_turns_a_verdict_into_an_exit_status(song: Song, fail_on: str | None, name: str, code: int) -> None:
    """Exit 1 where a verdict is as bad as --fail-on says, or worse: hot is `listen`, clipped is `play_again`."""
    parts = {"clipped.wav": (_clipped(), PCM_16), "hot.wav": (1.5 * sine(440, 0.0, 0.5), FLOAT)}
    signal, kind = parts.get(name, (sine(440, -30.0, 0.5), PCM_16))
    file = song.put(name, signal, kind=kind)
    assert song.stager("measure", file, *(("--fail-on", fail_on) if fail_on else ())).code == code


def test_fail_on_is_known_to_stage(song: Song) -> None:
    """A clipped stem is staged all the same; with --fail-on the exit status is 1, on a first run and on a second."""
    song.put("clipped.wav", _clipped(), kind=PCM_16)
    assert song.stage("--fail-on", "play_again").code == 1
    assert song.outbox_names() == {"clipped.wav", "clipped.wav.json"}
    assert song.stage("--fail-on", "listen").code == 1


def test_clipping_is_found_and_placed(song: Song) -> None:
    """Flat tops at full scale are `clipped`, `play_again`, with their channel and first place (trade: 4 in a row)."""
    signal = 0.3 * sine(200, 0.0, 2)
    signal[48_000:48_400] = _clipped()[:400]
    song.put("a.wav", np.column_stack((0.3 * sine(200, 0.0, 2), signal)), kind=PCM_16)
    outcome = song.outcome("a.wav")
    finding = outcome["findings"][0]
    assert (finding["code"], finding["verdict"], outcome["verdict"]) == ("clipped", "play_again", "play_again")
    assert finding["channels"] == [2]
    assert finding["at_s"][0] == pytest.approx(1.0, abs=0.005)
    assert finding["count"] >= 2


def test_allowed_findings_are_usable(make_song: SongMaker) -> None:
    """A finding that the project allows stays in the log, without spoiling the verdict."""
    song = make_song('[project]\nname = "Salt Road"\nallow = ["clipped"]\n')
    song.put("a.wav", _clipped(), kind=PCM_16)
    outcome = song.outcome("a.wav")
    assert [finding["code"] for finding in outcome["findings"]] == ["clipped"]
    assert outcome["verdict"] == "usable"


def test_a_much_louder_copy_warns_once(song: Song) -> None:
    """A copy more than 6 dB louder brings one word to turn the monitors down, however many there are."""
    for number in range(3):
        song.put(f"quiet_{number}.wav", sine(440, -35.0, 0.5))
    assert song.stage().stderr.lower().count("monitors") == 1
    song.put("quiet_0.wav", sine(440, -20.0, 0.5))
    assert "monitors" not in song.stage().stderr.lower()


def test_a_sparse_part_brings_a_hint_once(song: Song) -> None:
    """A crest above 18 dB under the rule average says once that a role by peak would suit."""
    click = np.zeros(96_000)
    click[::9_600] = 0.5
    for number in range(3):
        song.put(f"click_{number}.wav", click)
    assert song.stage().stderr.count("percussive") == 1


def test_results_and_talk_are_kept_apart(song: Song) -> None:
    """The JSON document is alone on stdout, progress is on stderr."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    result = song.stage("--json")
    assert "a.wav" in result.stderr
    assert json.loads(result.stdout)["schema"] == "stager/stage/1"


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_started_with_a_stream_closed(song: Song, closed: str) -> None:
    """However a parent left the three streams, copies are whole (POSIX: an open takes the lowest free number)."""
    song.put("a.wav", sine(440, -30.0, 0.5))
    (song.inbox / "torn.wav").write_bytes(b"RIFF and no more")
    song.rest("torn.wav", 10.0)
    line = song.stager.line("stage", song.folder)
    done = subprocess.run(
        ["bash", "-c", f'exec "$@" {closed}', "bash", *line], capture_output=True, timeout=HUNG_S, check=False
    )
    assert done.returncode == 1
    assert song.sidecar("a.wav")["copy"]["sha256"] == sha256(song.outbox / "a.wav")
    assert (b"torn.wav" in done.stdout) == (">&-" not in closed.replace("2>&-", ""))
    assert (b"torn.wav" in done.stderr) == ("2>&-" not in closed)
