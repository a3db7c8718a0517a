"""`stager link` and `stager allow`: the project file changed as its owner would, and given back to the byte."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import Command
from tests.support.reference_levels import sample_peak_dbfs

pytestmark = pytest.mark.long

RATE = 48_000
PROJECT = """\
# My song. Every line of this stays.

[project]
name = "Lantern"     # after the lamp

[[role]]
name = "kick"
match = ["kick*"]    # both microphones

target = { rule = "peak", level_db = -10.0 }
"""


def kick(delay_frames: int, gain: float, seed: int) -> np.ndarray:
    """Return twelve struck notes of one performance as one microphone hears them: later, at its own level and noise."""
    shared, own = np.random.default_rng(7), np.random.default_rng(seed)
    samples = np.zeros(8 * RATE)
    for start_s in np.cumsum(shared.uniform(0.45, 0.7, 12)):
        at = round(start_s * RATE) + delay_frames
        t = np.arange(RATE // 3) / RATE
        stroke = np.exp(-t * 18) * np.sin(2 * np.pi * (55 * t + 4 * (1 - np.exp(-t * 40))))
        click = shared.normal(0, 0.3, len(t)) * np.exp(-t * 300)
        samples[at : at + len(t)] += shared.uniform(0.6, 1.0) * (stroke + click)
    room = np.concatenate(([1.0], own.normal(0, 0.1, 4800) * np.exp(-np.arange(4800) / 900)))
    heard = np.convolve(samples, room)[: len(samples)]
    return gain * heard / np.abs(heard).max() + own.normal(0, 1e-4, len(samples))


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """A song with two microphones on one kick, and a project file full of comments."""
    folder = tmp_path / "song"
    wavefile.write(folder / "bounces" / "kick_in.wav", kick(0, 0.25, 1))
    wavefile.write(folder / "bounces" / "kick_out.wav", kick(97, 0.12, 2))
    (folder / "stager.toml").write_bytes(PROJECT.encode())
    return folder


def test_proposed_link_keeps_the_peak_rule(stager: Command, song: Path) -> None:
    """Two kick microphones under a peak role, linked by one command: the louder peak stays at the role's level."""
    shown = stager("link", song)
    assert (shown.code, (song / "stager.toml").read_text()) == (1, PROJECT), "written without --yes"
    assert "+[[link]]" in shown.stderr
    found = stager("link", song, "--yes")
    assert found.code == 0, found.stderr
    text = (song / "stager.toml").read_text()
    assert text.startswith(PROJECT)
    (link,) = tomllib.loads(text)["link"]
    assert link["match"] == ["kick_in.wav", "kick_out.wav"]
    assert link["target"] == {"rule": "peak", "level_db": -10.0}
    assert stager("stage", song).code == 0
    peaks = [sample_peak_dbfs(wavefile.read(song / "staged" / name).samples()) for name in link["match"]]
    assert -10.12 <= max(peaks) <= -9.98
    assert "No link to propose" in stager("link", song, "--yes").stderr


@pytest.mark.parametrize("before", [PROJECT, PROJECT.replace("\n", "\r\n"), "\ufeff" + PROJECT, PROJECT.rstrip("\n")])
def test_undo_gives_the_bytes_back(stager: Command, song: Path, before: str) -> None:
    """Whatever line ends, mark or last line the file has: changed, then the same bytes again; a second undo refuses."""
    (song / "stager.toml").write_bytes(before.encode())
    assert stager("allow", "dual_mono", "kick_in.wav", "--project", song, "--yes").code == 0
    changed = (song / "stager.toml").read_bytes()
    assert changed.startswith(before.encode())
    assert changed.count(b"\n") == changed.count(b"\r\n") or b"\r\n" not in changed
    assert stager("allow", "--project", song, "--undo").code == 0
    assert (song / "stager.toml").read_bytes() == before.encode()
    assert stager("allow", "--project", song, "--undo").code == 2


def test_undo_keeps_what_was_edited_since(stager: Command, song: Path) -> None:
    """A file that its owner changed after the command is left as it is."""
    assert stager("allow", "dual_mono", "kick_in.wav", "--project", song, "--yes").code == 0
    (song / "stager.toml").write_text(PROJECT + "# more\n")
    found = stager("link", song, "--undo")
    assert found.code == 2
    assert "changed since" in found.stderr
    assert (song / "stager.toml").read_text() == PROJECT + "# more\n"


def test_allowed_finding_no_longer_counts(stager: Command, song: Path) -> None:
    """A stereo part without sound on one side: `one_sided` is deliberate in it, and only in it, and needs no role."""
    loud = kick(0, 0.2, 3)
    for name in ("left.wav", "other.wav"):
        wavefile.write(song / "bounces" / name, np.column_stack((loud, 0.5 * np.roll(loud, 3000))))
    wide = np.column_stack((loud, -loud + np.random.default_rng(9).normal(0, 1e-4, len(loud))))
    wavefile.write(song / "bounces" / "wide.wav", wide)
    before = _verdicts(stager, song)
    assert before["wide.wav"] == "listen"
    assert stager("allow", "polarity_flipped", "wide.wav", "--project", song, "--yes").code == 0
    assert stager("allow", "mono_loss", "wide.wav", "--project", song, "--yes").code == 0
    tables = tomllib.loads((song / "stager.toml").read_text())["allow"]
    assert {table["code"] for table in tables} == {"polarity_flipped", "mono_loss"}
    assert _verdicts(stager, song) == before | {"wide.wav": "usable"}


def _verdicts(stager: Command, song: Path) -> dict[str, str]:
    return {outcome["stem"]: outcome["verdict"] for outcome in stager("stage", song, "--json").json()["outcomes"]}


def test_one_table_a_code(stager: Command, song: Path) -> None:
    """A second stem joins the first one's table, a stem that stands there already changes nothing."""
    for stem in ("kick_in.wav", "kick_out.wav", "kick_in.wav"):
        assert stager("allow", "hum", stem, "--project", song, "--yes").code == 0
    text = (song / "stager.toml").read_text()
    assert text.startswith(PROJECT)
    assert tomllib.loads(text)["allow"] == [{"code": "hum", "match": ["kick_in.wav", "kick_out.wav"]}]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("dual_mon", "kick_in.wav"), "did you mean 'dual_mono'?"),
        (("hum", "kick_inn.wav"), "did you mean 'kick_in.wav'?"),
        (("hum",), "at least one stem"),
        ((), "expected a finding code"),
    ],
)
def test_slips_change_nothing(stager: Command, song: Path, args: tuple[str, ...], says: str) -> None:
    """An unknown code or stem is status 2 with the nearest one, and the file stays."""
    found = stager("allow", *args, "--project", song, "--yes")
    assert found.code == 2
    assert says in found.stderr
    assert (song / "stager.toml").read_text() == PROJECT
