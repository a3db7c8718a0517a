"""An unexpected error at any seam of the installed command is one outcome: the other stems go on, no draft is left."""

import json
import time
from pathlib import Path
from typing import Any

import pytest

from tests.support.command import Command, Result
from tests.support.outbox import drafts
from tests.support.signals import white_noise
from tests.support.song import STATE, Song, SongMaker
from tests.support.wavefile import wave_bytes

pytestmark = pytest.mark.long

HOOK = Path(__file__).parent.parent / "support" / "injection"
FAULTY, GOOD = "faulty_part.wav", ("a_good_part.wav", "z_good_part.wav")
ERROR = "ZeroDivisionError"

STAGE_SEAMS = {
    "read": "stager.containers.opening:open_audio",
    "measure": "stager.analysis.analyse:analyse",
    "judge": "stager.staging.decide:decide",
    "place": "stager.staging.outbox:copy_place",
    "apply": "stager.containers.writing:write_copy",
    "confirm": "stager.containers.confirming:CopyCheck.__init__",
    "sidecar": "stager.model.sidecar:Sidecar.to_json",
    "still free": "stager.staging.outbox:check_still_free",
    "intent": "stager.staging.publish:Staging._intent",
    "publish": "stager.staging.publish:_place_copy",
    "record": "stager.staging.publish:_place_sidecar",
    "ledger": "stager.staging.ledger:Ledger.write",
    "overview": "stager.staging.publish:Staging._keep_overview",
    "submit": "stager.staging.state:StagingState.job",
    "queue": "stager.staging.queue:StemQueue.submit",
    "up to date": "stager.staging.state:StagingState.current_now",
}
ONCE_SEAMS = {
    "seal": "stager.system.files:Draft.seal",
    "read back": "stager.containers.confirming:CopyCheck.update",
    "draft": "stager.system.files:draft_in",
}
WATCH_SEAMS = (*(seam for seam in STAGE_SEAMS if seam != "up to date"), "read back")
TOLD_SEAMS = {
    "stage": "stager.report.terminal:outcome_line",
    "watch": "stager.cli.log:_of",
}
"""Where the outcome of a stem is put into words."""
MEASURE_SEAMS = {
    "read": "stager.containers.opening:open_audio",
    "measure": "stager.analysis.analyse:analyse",
    "judge": "stager.analysis.analyse:StemAnalysis.findings",
    "report": "stager.api:MeasuredFile.to_data",
    "print": "stager.cli.measure_command:_row",
}
MIX_SEAMS = {
    "read": "stager.containers.opening:open_audio",
    "measure": "stager.analysis.mix.examine:examine_mix",
    "print": "stager.cli.mix_command:_lines",
}
VERIFY_SEAMS = {
    "prove": "stager.verify.prove:_verify",
    "compare": "stager.verify.prove:_compare",
    "read": "stager.containers.opening:open_audio",
}
CHECK_SEAMS = {
    "read": "stager.containers.opening:open_audio",
    "measure": "stager.analysis.analyse:analyse",
    "judge": "stager.staging.decide:decide",
    "header": "stager.containers.facts:header_facts",
}
BUS_SEAM = "stager.songset.bus.channel:MixChannel._opened"
TAKE_SEAMS = {
    "read": "stager.containers.opening:open_audio",
    "measure": "stager.analysis.analyse:analyse",
    "compare": "stager.analysis.takes:with_history",
    "record": "stager.staging.ledger:Ledger.write_takes",
}
TAKE_ONCE_SEAMS = {"judge": "stager.judge.advice:advise", "list": "stager.watch.takes_watch:TakesWatch._write"}
"""Called without a take's name: the first call fails, of whichever take."""
WATCHED = '[project]\nname = "Salt Road"\nsettle_s = 0.05\n'


def injected(tmp_path: Path, seam: str, at: str = FAULTY) -> dict[str, str]:
    """Return the environment in which a function fails: where it is called with a text, or at its first call."""
    return {"PYTHONPATH": str(HOOK), "INJECT": seam, "INJECT_AT": at, "INJECT_ONCE": str(tmp_path / "once")}


def filled(song: Song) -> Song:
    """Put three parts into the inbox."""
    for number, name in enumerate((*GOOD, FAULTY)):
        song.put(name, 0.1 * white_noise(4_800, seed=number))
    return song


def staged(song: Song, env: dict[str, str]) -> Result:
    """Stage with a failing function."""
    return song.stager("stage", song.folder, "--json", env=env)


def check_the_rest(song: Song, outcomes: dict[str, str | None], faulty: str | None = FAULTY) -> None:
    """See that one stem met the error, which is in the file of errors, and the others have sound copies."""
    failed = [name for name, code in outcomes.items() if code == "internal_error"]
    assert len(failed) == 1, outcomes
    assert faulty in (None, failed[0])
    assert sorted(outcomes) == sorted((*GOOD, FAULTY))
    assert all(code is None for name, code in outcomes.items() if name not in failed), outcomes
    assert not drafts(song)
    assert ERROR in (song.folder / STATE / "errors.log").read_text()
    assert all((song.outbox / name).is_file() for name in outcomes if name not in failed)


def check_traced(result: Result) -> None:
    """See that the traceback can be copied from stderr, once."""
    assert result.stderr.count("a report of it needs these lines") == 1, result.stderr
    assert f"{ERROR}: injected" in result.stderr


@pytest.mark.parametrize("seam", [*STAGE_SEAMS, *ONCE_SEAMS])
def test_stage_goes_on(make_song: SongMaker, tmp_path: Path, seam: str) -> None:
    """One refusal, two copies, exit 1; the next run without the error finishes all, and the proof agrees."""
    song, once = filled(make_song()), seam in ONCE_SEAMS
    env = injected(tmp_path, ONCE_SEAMS[seam], "") if once else injected(tmp_path, STAGE_SEAMS[seam])
    result = staged(song, env)
    assert result.code == 1, result
    assert "Traceback" not in result.stderr
    outcomes = {outcome["stem"]: outcome.get("refused") for outcome in result.json()["outcomes"]}
    check_the_rest(song, outcomes, None if once else FAULTY)
    assert song.stager("stage", song.folder).code == 0
    assert song.stager("verify", song.folder).code == 0


def test_stage_without_a_word(make_song: SongMaker, tmp_path: Path) -> None:
    """A stem whose outcome can't be put into words is staged, and so are the others; it is said, exit 1."""
    song = filled(make_song())
    result = staged(song, injected(tmp_path, TOLD_SEAMS["stage"]))
    assert result.code == 1, result
    assert [outcome.get("refused") for outcome in result.json()["outcomes"]] == [None] * 3
    assert ERROR in (song.folder / STATE / "errors.log").read_text()
    assert f"{FAULTY}: expected no error inside stager" in result.stderr
    assert song.stager("verify", song.folder).code == 0


def test_stage_without_tables(make_song: SongMaker, tmp_path: Path) -> None:
    """Tables that can't be written for an unexpected error lose no outcome: it is said, exit 1."""
    song = filled(make_song())
    result = staged(song, injected(tmp_path, "stager.report.tables:write_tables", ""))
    assert result.code == 1, result
    assert [outcome.get("refused") for outcome in result.json()["outcomes"]] == [None] * 3
    assert ERROR in (song.folder / STATE / "errors.log").read_text()
    assert "tables" in result.stderr


@pytest.mark.parametrize("seam", MEASURE_SEAMS)
def test_measure_goes_on(song: Song, tmp_path: Path, seam: str) -> None:
    """The other files are measured, exit 1; the traceback is on stderr, since no project has a file for it."""
    filled(song)
    paths = [song.inbox / name for name in (*GOOD, FAULTY)]
    result = song.stager("measure", *paths, "--json", env=injected(tmp_path, MEASURE_SEAMS[seam]))
    assert result.code == 1, result
    stems = result.json()["stems"]
    assert [stem.get("refused") for stem in stems] == [None, None, "internal_error"]
    check_traced(result)


def test_what_is_printed_of_a_measured_file(song: Song, tmp_path: Path) -> None:
    """The table has a row for each file, also where the row of one fails."""
    filled(song)
    paths = [song.inbox / name for name in (*GOOD, FAULTY)]
    result = song.stager("measure", *paths, env=injected(tmp_path, MEASURE_SEAMS["print"]))
    assert result.code == 1, result
    assert result.stdout.count("REFUSED, internal_error") == 1
    assert all(f"/{name}" in result.stdout for name in GOOD)
    check_traced(result)


@pytest.mark.parametrize("seam", MIX_SEAMS)
def test_mix_goes_on(song: Song, tmp_path: Path, seam: str) -> None:
    """The other mixes are judged, exit 1, with the traceback on stderr."""
    filled(song)
    paths = [song.inbox / name for name in (*GOOD, FAULTY)]
    result = song.stager("mix", *paths, "--json", env=injected(tmp_path, MIX_SEAMS[seam]))
    assert result.code == 1, result
    assert [mix.get("refused") for mix in result.json()["mixes"]] == [None, None, "internal_error"]
    check_traced(result)


@pytest.mark.parametrize("seam", ["read", "measure", "judge"])
def test_a_dry_run_goes_on(song: Song, tmp_path: Path, seam: str) -> None:
    """The other stems are decided, exit 1; nothing is written, so that the traceback is on stderr."""
    result = filled(song).stager("stage", song.folder, "--dry-run", "--json", env=injected(tmp_path, STAGE_SEAMS[seam]))
    assert result.code == 1, result
    assert [stem.get("refused") for stem in result.json()["outcomes"]] == [None, "internal_error", None]
    check_traced(result)
    assert not (song.folder / STATE).exists()


@pytest.mark.parametrize("seam", CHECK_SEAMS)
def test_check_goes_on(song: Song, tmp_path: Path, seam: str) -> None:
    """The set of the other stems is examined, exit 1, with the traceback on stderr."""
    filled(song)
    result = song.stager("check", song.folder, "--json", env=injected(tmp_path, CHECK_SEAMS[seam]))
    assert result.code == 1, result
    document = result.json()
    assert [(each["stem"], each["refused"]) for each in document["refused"]] == [(FAULTY, "internal_error")]
    assert document["bus"]["loudest"]
    check_traced(result)


@pytest.mark.parametrize("seam", VERIFY_SEAMS)
def test_verify_goes_on(song: Song, tmp_path: Path, seam: str) -> None:
    """The other copies are proven, exit 1; nothing is written, so that the traceback is on stderr."""
    assert filled(song).stager("stage", song.folder).code == 0
    result = song.stager("verify", song.folder, "--json", env=injected(tmp_path, VERIFY_SEAMS[seam]))
    assert result.code == 1, result
    assert {each["stem"]: each["ok"] for each in result.json()["stems"]} == {FAULTY: False, **dict.fromkeys(GOOD, True)}
    check_traced(result)


def test_an_error_of_no_stem_ends_in_words(song: Song, tmp_path: Path) -> None:
    """Where the set as a whole can't be examined, the command says so, exit 2, with the lines that a report needs."""
    env = injected(tmp_path, "stager.songset.examine:_findings", "")
    result = filled(song).stager("check", song.folder, env=env)
    assert result.code == 2
    assert result.stderr.startswith(
        "stager: check: expected no error inside stager, found ZeroDivisionError: injected; "
    )
    assert result.stderr.rstrip().endswith(f"{ERROR}: injected")


def test_check_sums_without(song: Song, tmp_path: Path) -> None:
    """A stem whose reading fails while the bus is summed is left out of the sum, and that is said."""
    result = filled(song).stager("check", song.folder, "--json", env=injected(tmp_path, BUS_SEAM))
    assert "Traceback" not in result.stderr
    left_out = result.json()["bus"]["left_out"]
    assert [(each["name"], each["reason"]) for each in left_out] == [(FAULTY, "internal_error")]


@pytest.mark.parametrize("seam", WATCH_SEAMS)
def test_watch_goes_on(make_song: SongMaker, tmp_path: Path, seam: str) -> None:
    """One outcome a stem in a watch too, with the traceback in its log; the next run stages what was refused."""
    song, once = filled(make_song(WATCHED)), seam in ONCE_SEAMS
    env = injected(tmp_path, ONCE_SEAMS[seam], "") if once else injected(tmp_path, STAGE_SEAMS[seam])
    lines = watched(song, env)
    outcomes = {line["stem"]: line.get("refused") for line in lines if "stem" in line}
    check_the_rest(song, outcomes, None if once else FAULTY)
    assert sum("stem" in line for line in lines) == 3
    assert any(ERROR in line.get("traceback", "") for line in lines), lines
    assert song.stager("stage", song.folder).code == 0
    assert song.stager("verify", song.folder).code == 0


@pytest.mark.parametrize("seam", ["seal", "draft"])
def test_watch_without_its_status(make_song: SongMaker, tmp_path: Path, seam: str) -> None:
    """The first file that a watch writes is no stem's: the error is kept, and every stem is staged."""
    song = filled(make_song(WATCHED))
    lines = watched(song, injected(tmp_path, ONCE_SEAMS[seam], ""))
    assert {line["stem"]: line["outcome"] for line in lines if "stem" in line} == dict.fromkeys(
        (FAULTY, *GOOD), "staged"
    )
    assert ERROR in (song.folder / STATE / "errors.log").read_text()
    assert not drafts(song)


def test_watch_without_a_word(make_song: SongMaker, tmp_path: Path) -> None:
    """An outcome that can't be logged is no pause: all stems are staged, and the traceback is kept."""
    song = filled(make_song(WATCHED))
    lines = watched(song, injected(tmp_path, TOLD_SEAMS["watch"]))
    assert {line["stem"] for line in lines if "stem" in line} == set(GOOD)
    assert not any("pauses" in line["says"] for line in lines)
    assert ERROR in (song.folder / STATE / "errors.log").read_text()
    assert song.stager("verify", song.folder).code == 0


@pytest.mark.parametrize("seam", ["stager.songset.examine:examine", "stager.report.tables:write_tables"])
def test_watch_without_the_set(make_song: SongMaker, tmp_path: Path, seam: str) -> None:
    """A set that can't be examined, or listed in tables, stops no staging; the traceback is kept."""
    song = filled(make_song(WATCHED))
    lines = watched(song, injected(tmp_path, seam, ""), rest_s="4")
    assert {line["stem"] for line in lines if line.get("outcome") == "staged"} == {FAULTY, *GOOD}
    assert any(ERROR in line["says"] for line in lines)
    assert ERROR in (song.folder / STATE / "errors.log").read_text()


def watched(song: Song, env: dict[str, str], rest_s: str = "1") -> list[dict[str, Any]]:
    """Watch with a failing function until nothing is left to do; return the lines of the log."""
    result = song.stager("watch", song.folder, "--until-idle", rest_s, "--log", "json", env=env)
    assert result.code == 0, result
    return [json.loads(line) for line in result.stderr.splitlines()]


@pytest.mark.parametrize("seam", [*TAKE_SEAMS, *TAKE_ONCE_SEAMS])
def test_takes_go_on(make_song: SongMaker, stager: Command, tmp_path: Path, seam: str) -> None:
    """One outcome a take: refused where it can't be judged, else its judgement; the other take is judged."""
    song = make_song('[project]\nname = "Salt Road"\nsettle_s = 0.1\ntakes = "audio"\n')
    takes = song.folder / "audio"
    takes.mkdir()
    log = tmp_path / "log"
    once = seam in TAKE_ONCE_SEAMS
    env = injected(tmp_path, TAKE_ONCE_SEAMS[seam], "") if once else injected(tmp_path, TAKE_SEAMS[seam])
    with stager.started("watch", song.folder, "--log", "json", log=log, env=env) as process:
        _wait(lambda: "watching" in log.read_text())
        for number, name in enumerate((FAULTY, GOOD[0])):
            (takes / name).write_bytes(wave_bytes(0.1 * white_noise(48_000, seed=number)))
        _wait(lambda: all(f'"take": "{name}"' in log.read_text() for name in (FAULTY, GOOD[0])))
        process.terminate()
        assert process.wait(60) == 0
    assert ERROR in (song.folder / STATE / "errors.log").read_text()
    told = [line for line in map(json.loads, log.read_text().splitlines()) if "take" in line]
    assert sorted(line["take"] for line in told) == [GOOD[0], FAULTY]
    refused = [line["take"] for line in told if line.get("refused") == "internal_error"]
    assert len(refused) == (seam in ("read", "measure", "judge"))
    assert refused in ([], [FAULTY]) or once


def _text(path: Path) -> str:
    return path.read_text() if path.exists() else ""


def _wait(happened: object, hung_s: float = 60.0) -> None:
    until = time.monotonic() + hung_s
    while not happened():  # type: ignore[operator]
        assert time.monotonic() < until
        time.sleep(0.05)
