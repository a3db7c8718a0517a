"""A stem that leaves the inbox is "taken out" everywhere: no difference, no exit 1, its copy listed, not removed."""

from typing import Final

import pytest

from tests.support.signals import white_noise
from tests.support.song import Song
from tests.support.wavefile import PCM_24

pytestmark = pytest.mark.long

RATE: Final = 48_000
NAMES: Final = ("bells.wav", "drone.wav", "fiddle.wav")


def test_taken_out_in_check_report_notes_and_verify(song: Song) -> None:
    """After staging three stems one original is removed: four commands name it with its copy, and exit 0."""
    for n, name in enumerate(NAMES):
        song.put(name, white_noise(2 * RATE, 2, seed=n), RATE, PCM_24)
    assert song.stage().code == 0
    (song.inbox / "drone.wav").unlink()
    copy = song.outbox / "drone.wav"
    found = song.stager("check", song.folder, "--json")
    assert found.json()["taken_out"] == [{"stem": "drone.wav", "copy_path": "staged/drone.wav"}]
    assert "remove its copy: staged/drone.wav" in " ".join(song.stager("check", song.folder).stdout.split())
    proof = {each["stem"]: each for each in song.stager("verify", song.folder, "--json").json()["stems"]}
    assert (proof["drone.wav"]["ok"], proof["drone.wav"]["taken_out"]) == (True, True)
    assert song.stager("verify", song.folder).code == 0
    assert song.stager("report", song.folder).code == 0
    notes, page = ((song.outbox / name).read_text("utf-8") for name in ("notes.md", "report.html"))
    assert "## Taken out" in notes
    assert "| drone.wav |" not in notes
    assert "| fiddle.wav |" in notes
    assert "drone.wav is no longer in the inbox" in page
    assert copy.exists()


def test_a_copy_that_was_altered_is_still_a_difference(song: Song) -> None:
    """Taken out or not: a copy that is not the one of its sidecar makes `verify` exit 1."""
    song.put("drone.wav", white_noise(2 * RATE, 2), RATE, PCM_24)
    assert song.stage().code == 0
    (song.inbox / "drone.wav").unlink()
    copy = song.outbox / "drone.wav"
    copy.write_bytes(copy.read_bytes()[:-6] + b"\x01" * 6)
    assert song.stager("verify", song.folder).code == 1
