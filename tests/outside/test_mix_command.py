"""`stager mix`: faults put into a clean mix made without its code, each found with its place, and no other alarm."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.support import wavefile
from tests.support.command import Command
from tests.support.finished_mix import FAULTS, RATE, clean

pytestmark = pytest.mark.long

PLACE_S = 0.5
"""How far from the fault a place may be told."""
CLOSE = frozenset({"peak_over_delivery", "sides_cancel", "mono_loss", "dc_offset", "hum"})
"""Codes that follow from another fault of the same list."""


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory, stager: Command) -> dict[str, dict[str, Any]]:
    """Return the record of the clean mix and of each faulty one."""
    folder, mix = tmp_path_factory.mktemp("mixes"), clean()
    files = {"clean": wavefile.write(folder / "clean.wav", mix, RATE)}
    for number, (name, (put_in, _, _)) in enumerate(FAULTS.items()):
        files[name] = wavefile.write(folder / f"{number}.wav", put_in(mix), RATE, wavefile.FLOAT)
    result = stager("mix", "--quick", "--json", *files.values())
    document = result.json()
    assert document["schema"] == "stager/mix/1"
    return dict(zip(files, document["mixes"], strict=True))


def test_a_clean_mix_is_usable(judged: dict[str, dict[str, Any]]) -> None:
    """Nothing is found in a mix that fades to nothing and peaks at -3 dBFS."""
    assert (judged["clean"]["verdict"], judged["clean"]["findings"]) == ("usable", [])
    assert judged["clean"]["advice"]["change_db"] == 0.0


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_found(judged: dict[str, dict[str, Any]], name: str) -> None:
    """A fault gets one of its codes, its place where it has one, and no alarm that does not follow from it."""
    _, codes, at_s = FAULTS[name]
    found = {finding["code"]: finding for finding in judged[name]["findings"]}
    assert codes & found.keys()
    assert found.keys() <= codes | CLOSE
    if at_s is not None:
        assert found[min(codes & found.keys())]["worst_at_s"] == pytest.approx(at_s, abs=PLACE_S)


def test_a_mix_is_never_changed(tmp_path: Path, stager: Command) -> None:
    """The file is as it was, and nothing lies beside it."""
    path = wavefile.write(tmp_path / "mix.wav", clean(), RATE)
    before = path.read_bytes()
    assert stager("mix", path).code == 0
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["mix.wav"]


def test_lines_fit_a_terminal(tmp_path: Path, stager: Command) -> None:
    """No line of the text passes 80 columns, and several mixes stand side by side."""
    one = wavefile.write(tmp_path / "mix.wav", clean(), RATE)
    other = wavefile.write(tmp_path / f"{'long ' * 12}.wav", 3.0 * clean(2), RATE, wavefile.FLOAT)
    printed = stager("mix", "--quick", one.name, other.name, cwd=tmp_path).stdout
    assert "side by side" in printed
    assert [line for line in printed.splitlines() if len(line) > 80] == []


def test_a_verdict_can_fail_a_run(tmp_path: Path, stager: Command) -> None:
    """`--fail-on listen` ends with 1 where a mix is worse than usable; a file that is no audio is refused."""
    loud = wavefile.write(tmp_path / "loud.wav", FAULTS["peaks at -0.2 dBFS"][0](clean()), RATE)
    assert stager("mix", "--quick", loud).code == 0
    assert stager("mix", "--quick", "--fail-on", "listen", loud).code == 1
    (tmp_path / "text.wav").write_text("no audio")
    refused = stager("mix", "--json", tmp_path / "text.wav")
    (mix,) = json.loads(refused.stdout)["mixes"]
    assert (refused.code, mix["refused"]) == (1, "unreadable")


def test_advice_only_ever_lowers(tmp_path: Path, stager: Command) -> None:
    """A mix at -0.2 dBFS is to be lowered by what its coded peaks pass -1 dBTP, and a quiet one is left as it is."""
    loud = wavefile.write(tmp_path / "loud.wav", FAULTS["peaks at -0.2 dBFS"][0](clean())[: 8 * RATE], RATE)
    quiet = wavefile.write(tmp_path / "quiet.wav", 0.1 * clean()[: 8 * RATE], RATE)
    changes = [mix["advice"]["change_db"] for mix in stager("mix", "--json", loud, quiet).json()["mixes"]]
    assert changes[0] <= -0.8
    assert changes[1] == 0.0
