"""Links: microphones of one kit share one trim, so that what stands between them stays as it was played.

The trims are worked out again by `tests.prove.kit_truth`, and measured from the samples of copies and originals.
"""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.prove import kit_truth
from tests.prove.kit_truth import LINK, METERS_DB, NAMES, OneTrim
from tests.support.command import HUNG_S
from tests.support.reference_levels import linear
from tests.support.song import Song, SongMaker
from tests.support.wavefile import FLOAT, PCM_24, Kind

pytestmark = pytest.mark.long

Array = NDArray[Any]
RATE: Final = 48_000
SAME_DB: Final = 0.001
KINDS: Final = pytest.mark.parametrize("kind", [FLOAT, PCM_24], ids=lambda kind: kind.name)
EACH: Final = '[[link]]\nname = "kit"\nmatch = [' + ", ".join(f'"{name}"' for name in NAMES) + "]\n"
"""The same link with one pattern for each member, so that one that is missing is known to be."""


def put(song: Song, kit: dict[str, Array], kind: Kind, rate_hz: int = RATE) -> None:
    """Bounce microphones."""
    for name, samples in kit.items():
        song.put(name, samples, rate_hz, kind)


def applied_db(song: Song, name: str) -> float:
    """Measure a gain from the samples: copy against original by least squares."""
    original, copy = song.original(name).samples(), song.copy(name).samples()
    assert original.shape == copy.shape
    return float(20 * np.log10((original * copy).sum() / (original**2).sum()))


def trims(song: Song) -> dict[str, dict[str, Any]]:
    """Read the trim of each member from its sidecar."""
    return {name: song.sidecar(name)["trim"] for name in NAMES if (song.outbox / name).is_file()}


def assert_linked(song: Song, names: tuple[str, ...] = NAMES) -> float:
    """Assert that these have one trim, in their logs and in their samples, and give it in dB."""
    logged = {name: trims(song)[name] for name in names}
    gains = [trim["gain_db"] for trim in logged.values()]
    assert max(gains) - min(gains) <= SAME_DB
    assert {(trim["decided_by"], trim["link"]) for trim in logged.values()} == {("link", "kit")}
    measured = [applied_db(song, name) for name in names if song.original(name).samples().any()]
    assert max(measured) - min(measured) <= SAME_DB
    assert measured == pytest.approx([gains[0]] * len(measured), abs=SAME_DB)
    return float(gains[0])


def assert_right(gain_db: float, truth: OneTrim) -> None:
    """Assert that the gain is one that arithmetic gives."""
    assert truth.lowest_db - 1e-6 <= gain_db <= truth.highest_db + 1e-6


def rated(kit: dict[str, Array], rate_hz: int = RATE) -> dict[str, tuple[Array, int]]:
    """Return the microphones with their rate."""
    return {name: (samples, rate_hz) for name, samples in kit.items()}


@KINDS
def test_five_microphones_get_one_trim(make_song: SongMaker, kind: Kind) -> None:
    """Five gains that differ by no more than 0.001 dB, and the one that the loudest average and the peaks allow."""
    song, kit = make_song(LINK), kit_truth.heard(1)
    put(song, kit, kind)
    assert song.stage().code == 0
    assert_right(assert_linked(song), kit_truth.one_trim(rated(kit)))
    assert song.stager("verify", song.folder).code == 0


def test_without_a_link_they_would_not(make_song: SongMaker) -> None:
    """The same five without the link get trims that differ by 3 dB and more: the test above could fail."""
    song = make_song()
    put(song, kit_truth.heard(1), FLOAT)
    assert song.stage().code == 0
    gains = [trim["gain_db"] for trim in trims(song).values()]
    assert max(gains) - min(gains) > 3.0


@KINDS
def test_the_balance_between_microphones_stays(make_song: SongMaker, kind: Kind) -> None:
    """Of every two microphones, what one copy is to the other the one original was to the other: within 0.001 dB."""
    song, kit = make_song(LINK), kit_truth.heard(2)
    put(song, kit, kind)
    assert song.stage().code == 0
    for samples in (song.original, song.copy):
        assert {samples(name).samples().shape for name in NAMES} == {kit[NAMES[0]].shape}
    before = [10 * np.log10((song.original(name).samples() ** 2).mean()) for name in NAMES]
    after = [10 * np.log10((song.copy(name).samples() ** 2).mean()) for name in NAMES]
    moved = np.array(after) - np.array(before)
    assert np.ptp(moved) <= SAME_DB


def test_a_ceiling_on_one_member_holds_all_and_is_named(make_song: SongMaker) -> None:
    """One microphone with one hard peak: every member stops where its true peak meets the ceiling, and says whose."""
    song, kit = make_song(LINK), kit_truth.heard(3, peak_dbfs=-20.0)
    spike = 0.5 * np.hanning(9)[:, None]
    kit["kit_tom.wav"][RATE : RATE + 9] = spike
    truth = kit_truth.one_trim(rated(kit))
    assert truth.stopped_by == "kit_tom.wav"
    put(song, kit, FLOAT)
    assert song.stage().code == 0
    assert_right(assert_linked(song), truth)
    assert {trim["limited_by_stem"] for trim in trims(song).values()} == {"kit_tom.wav"}
    assert all("kit_tom.wav" in trim["because"] for trim in trims(song).values())


def test_the_boost_limit_holds_all(make_song: SongMaker) -> None:
    """A kit recorded far too low is raised by the boost limit, all of it alike, and the reason says so."""
    song, kit = make_song("[target]\nmax_boost_db = 12.0\n" + LINK), kit_truth.heard(4, peak_dbfs=-45.0)
    truth = kit_truth.one_trim(rated(kit), boost_db=12.0)
    put(song, kit, FLOAT)
    assert song.stage().code == 0
    assert assert_linked(song) == pytest.approx(12.0, abs=1e-9)
    assert truth.lowest_db == pytest.approx(12.0)
    assert all("12" in trim["because"] for trim in trims(song).values())


def test_the_loudest_member_is_never_over_the_target(make_song: SongMaker) -> None:
    """No member's own wish counts but the loudest's: the others end below the target by what they were below it."""
    song, kit = make_song(LINK + "target = { level_db = -30.0, ceiling_dbtp = -1.0 }\n"), kit_truth.heard(5)
    truth = kit_truth.one_trim(rated(kit), level_db=-30.0, ceiling_dbtp=-1.0)
    assert truth.stopped_by is None
    put(song, kit, FLOAT)
    assert song.stage().code == 0
    assert_right(assert_linked(song), truth)
    assert {trim["target"]["level_db"] for trim in trims(song).values()} == {-30.0}
    finished = {name: song.sidecar(name)["copy"]["average_dbfs"] for name in NAMES}
    assert max(finished, key=lambda name: finished[name]) == truth.loudest
    assert -30.1 - METERS_DB <= finished[truth.loudest] <= -30.0 + METERS_DB


def test_a_role_gives_a_member_its_name_and_not_its_level(make_song: SongMaker) -> None:
    """A member that also matches a role takes its trim from the link."""
    role = '[[role]]\nname = "kick"\nmatch = ["*kick*"]\ntarget = { rule = "peak", level_db = -20.0 }\n'
    song, kit = make_song(role + LINK), kit_truth.heard(1)
    put(song, kit, FLOAT)
    assert song.stage().code == 0
    assert_right(assert_linked(song), kit_truth.one_trim(rated(kit)))
    assert trims(song)["kit_kick.wav"]["role"] == "kick"


def test_members_of_other_rates_share_the_trim(make_song: SongMaker) -> None:
    """Close microphones at 48 kHz and overheads at 96 kHz: averages and true peaks are levels at any rate."""
    song = make_song(LINK)
    low, high = kit_truth.heard(6), kit_truth.heard(6, rate_hz=96_000)
    over = {name: samples for name, samples in high.items() if "over" in name}
    close = {name: samples for name, samples in low.items() if "over" not in name}
    put(song, close, PCM_24)
    put(song, over, PCM_24, 96_000)
    assert song.stage().code == 0
    assert_right(assert_linked(song), kit_truth.one_trim({**rated(close), **rated(over, 96_000)}))


def test_a_silent_member_follows(make_song: SongMaker) -> None:
    """A microphone that was not plugged in has no say, gets the group's trim, and its copy is silent too."""
    song, kit = make_song(LINK), kit_truth.heard(1)
    kit["kit_over_R.wav"] = np.zeros_like(kit["kit_over_R.wav"])
    put(song, kit, PCM_24)
    song.stage()
    gain_db = assert_linked(song)
    assert_right(gain_db, kit_truth.one_trim(rated(kit)))
    assert not song.copy("kit_over_R.wav").samples().any()
    assert gain_db != 0.0


def test_a_member_of_noise_alone_follows(make_song: SongMaker) -> None:
    """A microphone whose noise no block lifts over the gate has no average: it follows as well."""
    song, kit = make_song(LINK), kit_truth.heard(1)
    rng = np.random.default_rng(9)
    kit["kit_tom.wav"] = linear(-85.0) * rng.standard_normal(kit["kit_tom.wav"].shape)
    put(song, kit, FLOAT)
    song.stage()
    assert_right(assert_linked(song), kit_truth.one_trim(rated(kit)))


def incomplete(song: Song) -> list[dict[str, Any]]:
    """Ask `check` for links that wait for members."""
    findings = song.stager("check", song.folder, "--json").json()["findings"]
    return [finding for finding in findings if finding["code"] == "link_incomplete"]


@KINDS
def test_a_member_that_comes_late_decides_again_for_all(make_song: SongMaker, kind: Kind) -> None:
    """Four of five: one trim, and the link waits. The fifth stops all: five are staged anew."""
    song, kit = make_song(EACH), kit_truth.heard(7)
    late = "kit_snare.wav"
    early = {name: samples for name, samples in kit.items() if name != late}
    put(song, early, kind)
    assert song.stage().code == 0
    assert kit_truth.one_trim(rated(kit)).stopped_by == late
    first = assert_linked(song, tuple(early))
    assert_right(first, kit_truth.one_trim(rated(early)))
    waiting = incomplete(song)
    assert len(waiting) == 1
    assert late in waiting[0]["says"]
    song.put(late, kit[late], RATE, kind)
    assert song.stage().code == 0
    second = assert_linked(song)
    assert_right(second, kit_truth.one_trim(rated(kit)))
    assert abs(second - first) > 1.0
    assert incomplete(song) == []
    assert song.stager("verify", song.folder).code == 0


def test_a_late_member_that_changes_nothing_leaves_the_copies_alone(make_song: SongMaker) -> None:
    """Where the group's trim stays, the copies that were there stay too, to the bit."""
    song, kit = make_song(EACH), kit_truth.heard(1)
    quiet = kit_truth.one_trim(rated(kit))
    last = next(name for name in NAMES if name not in (quiet.loudest, quiet.stopped_by))
    put(song, {name: samples for name, samples in kit.items() if name != last}, PCM_24)
    assert song.stage().code == 0
    before = {name: (song.outbox / name).read_bytes() for name in NAMES if name != last}
    song.put(last, kit[last])
    assert song.stage().code == 0
    assert_right(assert_linked(song), quiet)
    assert {name: (song.outbox / name).read_bytes() for name in before} == before


def test_a_member_bounced_again_decides_again_for_all(make_song: SongMaker) -> None:
    """A louder bounce of one microphone moves the trim of all five."""
    song, kit = make_song(LINK), kit_truth.heard(1)
    put(song, kit, FLOAT)
    assert song.stage().code == 0
    first = assert_linked(song)
    loudest = kit_truth.one_trim(rated(kit)).loudest
    kit[loudest] = kit[loudest] * linear(14.0)
    song.put(loudest, kit[loudest], RATE, FLOAT)
    assert song.stage().code == 0
    second = assert_linked(song)
    assert_right(second, kit_truth.one_trim(rated(kit)))
    assert second < first


def test_staging_a_link_again_changes_nothing(make_song: SongMaker) -> None:
    """With nothing new, a second run makes no copy: the group's files stay as they are."""
    song = make_song(LINK)
    put(song, kit_truth.heard(1), PCM_24)
    assert song.stage().code == 0
    before = song.settled()
    assert song.stage().code == 0
    assert song.settled() == before


def test_a_dry_run_shows_the_trims_that_a_run_gives(make_song: SongMaker) -> None:
    """`--dry-run` decides for the group as the run does, and writes nothing."""
    song = make_song(LINK)
    put(song, kit_truth.heard(1), FLOAT)
    shown = {name: outcome["trim"]["gain_db"] for name, outcome in song.outcomes("--dry-run").items()}
    assert song.outbox_names() == set()
    assert song.stage().code == 0
    assert shown == {name: trim["gain_db"] for name, trim in trims(song).items()}


def test_a_watch_links_members_that_come_one_by_one(make_song: SongMaker, tmp_path: Path) -> None:
    """Under `watch`, whatever the order in which microphones arrive, they end with the trim of a calm run."""
    toml = '[project]\nname = "Salt Road"\nsettle_s = 0.3\n' + LINK
    song, calm, kit, log = make_song(toml), make_song(LINK, name="calm"), kit_truth.heard(8), tmp_path / "log"
    put(calm, kit, PCM_24)
    assert calm.stage().code == 0
    with song.stager.started("watch", song.folder, "--until-idle", "3", log=log) as watch:
        _wait(lambda: "watching" in log.read_text())
        for name in reversed(NAMES):
            song.put(name, kit[name])
            _wait(lambda name=name: (song.outbox / f"{name}.json").is_file())
        assert watch.wait(HUNG_S) == 0
    assert assert_linked(song) == assert_linked(calm)
    assert {name: (song.outbox / name).read_bytes() for name in NAMES} == {
        name: (calm.outbox / name).read_bytes() for name in NAMES
    }


def _wait(what: Callable[[], bool]) -> None:
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.02)


@pytest.mark.parametrize("seed", range(1, 9))
def test_the_kits_are_what_they_say(seed: int) -> None:
    """The kits ask for a trim, their microphones hear every drum, and the overheads hear it later."""
    kit = kit_truth.heard(seed)
    assert all(np.abs(samples).max() <= 10 ** (-8 / 20) + 1e-12 for samples in kit.values())
    assert kit_truth.one_trim(rated(kit)).lowest_db > 1.0
    close, over = (kit[name][:, 0] for name in ("kit_snare.wav", "kit_over_L.wav"))
    likeness = np.correlate(over[: RATE + 960], close[:RATE], "valid")
    assert 1.0 < 1000 * int(np.abs(likeness).argmax()) / RATE < 8.0
