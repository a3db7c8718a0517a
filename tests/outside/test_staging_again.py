"""Second runs: what is up to date stays, what changed is staged again, what a person changed is never replaced."""

from pathlib import Path

import pytest

from tests.support import reference_levels
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, tree

pytestmark = pytest.mark.long

PART, LOUDER = sine(440, -30.0, 0.5), sine(440, -25.0, 0.5)


@pytest.fixture
def staged(song: Song) -> Song:
    """A song of two stems, staged once."""
    song.put("a.wav", PART)
    song.put("b.wav", LOUDER)
    assert song.stage().code == 0
    return song


def _copies(song: Song) -> dict[str, tuple[object, ...]]:
    """Everything in the outbox but the two tables."""
    return {name: state for name, state in tree(song.outbox).items() if not name.startswith("report.")}


def test_a_second_run_touches_nothing(staged: Song) -> None:
    """Nothing changed: every copy and sidecar keeps its inode and its times, and the outcomes are the same."""
    before, first = _copies(staged), staged.outcomes("--dry-run")
    second = staged.outcomes()
    assert _copies(staged) == before
    assert {name: outcome["trim"] for name, outcome in second.items()} == {n: o["trim"] for n, o in first.items()}
    assert set(second) == {"a.wav", "b.wav"}


def test_a_new_time_stamp_alone_is_no_re_bounce(staged: Song) -> None:
    """The same bytes under another time stamp are the same stem: version 1, nothing written."""
    before = _copies(staged)
    staged.rest("a.wav")
    assert staged.outcome("a.wav")["version"] == 1
    assert _copies(staged) == before


def test_a_comment_in_the_project_file_stages_nothing(staged: Song) -> None:
    """A comment or a key that does not bear on the trim leaves every copy alone."""
    before = _copies(staged)
    text = staged.file.read_text()
    staged.file.write_text("# a remark\n" + text.replace("[project]\n", '[project]\nnotes = "verse two"\n'))
    assert staged.stage().code == 0
    assert _copies(staged) == before


def test_a_changed_target_stages_again(staged: Song) -> None:
    """Another level re-stages what it bears on; the version stays, since nothing was bounced again."""
    staged.file.write_text(staged.file.read_text() + "[target]\nlevel_db = -24.0\n")
    outcomes = staged.outcomes()
    assert {outcome["version"] for outcome in outcomes.values()} == {1}
    for name in ("a.wav", "b.wav"):
        found = reference_levels.average_dbfs(staged.copy(name).samples(), 48_000)
        assert -24.12 <= found <= -23.98 or abs(found + 24.0) <= 1.0
    assert outcomes["a.wav"]["trim"]["gain_db"] == pytest.approx(6.0, abs=0.11)


def test_a_role_stages_only_its_own_stems_again(staged: Song) -> None:
    """A new role re-stages the stems that it matches and no other."""
    before = _copies(staged)
    role = '[[role]]\nname = "bed"\nmatch = ["a*"]\ntarget = { level_db = -24.0 }\n'
    staged.file.write_text(staged.file.read_text() + role)
    staged.stage()
    after = _copies(staged)
    assert after["a.wav"] != before["a.wav"]
    assert after["b.wav"] == before["b.wav"]
    assert after["b.wav.json"] == before["b.wav.json"]


def test_again_makes_the_same_copy_anew(staged: Song) -> None:
    """`--again` writes each copy once more: other times, the same bytes, the same version."""
    before = _copies(staged)
    assert staged.outcome("a.wav", "--again")["version"] == 1
    after = _copies(staged)
    assert after["a.wav"][-1] == before["a.wav"][-1]
    assert after["a.wav"][2:4] != before["a.wav"][2:4]


def test_a_re_bounce_is_the_next_version(staged: Song) -> None:
    """New bytes under a known name replace the copy: versions 2 and 3, one copy, one sidecar."""
    for version, part in ((2, LOUDER), (3, sine(440, -21.0, 0.5))):
        staged.put("a.wav", part)
        assert staged.outcome("a.wav")["version"] == version
    assert staged.outbox_names() == {"a.wav", "a.wav.json", "b.wav", "b.wav.json"}
    gain = reference_levels.linear(staged.sidecar("a.wav")["trim"]["gain_db"])
    assert abs(staged.copy("a.wav").codes() - staged.original("a.wav").codes() * gain).max() <= 1.5


def test_a_lost_copy_or_log_is_made_again(staged: Song) -> None:
    """A copy without its sidecar, or a sidecar without its copy, is staged again, as it was."""
    settled = staged.settled()
    (staged.outbox / "a.wav").unlink()
    (staged.outbox / "b.wav.json").unlink()
    assert staged.stage().code == 0
    assert staged.settled() == settled


def test_a_lost_ledger_costs_nothing(staged: Song) -> None:
    """Without the ledger the copies are known by their sidecars: staged again in place, not beside themselves."""
    settled = staged.settled()
    for path in (staged.folder / ".stager").glob("ledger*"):
        path.unlink()
    assert staged.stage().code == 0
    assert staged.settled() == settled


def _altered(song: Song) -> bytes:
    """A person changes the copy by hand."""
    place = song.outbox / "a.wav"
    mine = place.read_bytes()[:-3] + b"abc"
    place.write_bytes(mine)
    return mine


def test_an_altered_copy_is_never_replaced(staged: Song) -> None:
    """A copy changed by hand stays; ours goes beside it as NAME.v2.wav with its own sidecar, and says so."""
    mine = _altered(staged)
    staged.put("a.wav", LOUDER)
    result = staged.stage()
    assert (staged.outbox / "a.wav").read_bytes() == mine
    assert staged.sidecar("a.v2.wav")["copy"]["path"] == "staged/a.v2.wav"
    assert staged.sidecar("a.v2.wav")["stem"] == "a.wav"
    assert "a.wav" in result.stderr
    assert "beside" in result.stderr


def test_the_copy_beside_an_altered_one_counts(staged: Song) -> None:
    """From then on NAME.v2.wav is the copy: later runs leave both alone, a re-bounce replaces ours."""
    mine = _altered(staged)
    staged.put("a.wav", LOUDER)
    staged.stage()
    before = _copies(staged)
    staged.stage()
    assert _copies(staged) == before
    staged.put("a.wav", sine(440, -21.0, 0.5))
    assert staged.outcome("a.wav")["copy"]["path"] == "staged/a.v2.wav"
    assert (staged.outbox / "a.wav").read_bytes() == mine
    assert not (staged.outbox / "a.v3.wav").exists()


def test_where_a_log_lies_it_describes_its_copy(staged: Song) -> None:
    """After a copy was altered by hand and its stem bounced anew, no sidecar describes other bytes than its copy's."""
    _altered(staged)
    staged.put("a.wav", LOUDER)
    staged.stage()
    for path in staged.outbox.glob("*.wav.json"):
        name = path.name.removesuffix(".json")
        logged = staged.sidecar(name)["copy"]["sha256"]
        assert logged == tree(staged.outbox)[name][-1], name


@pytest.mark.parametrize("foreign", ["a.wav", "a.wav.json"])
def test_a_foreign_file_under_a_copys_name_stays(song: Song, foreign: str) -> None:
    """A file that was there before us, under the copy's or the sidecar's name, is left as it is."""
    (song.outbox / foreign).write_text("somebody's own")
    song.put("a.wav", PART)
    outcome = song.outcome("a.wav")
    assert outcome["copy"]["path"] == "staged/a.v2.wav"
    assert (song.outbox / foreign).read_text() == "somebody's own"
    assert song.sidecar("a.v2.wav")["stem"] == "a.wav"


def test_a_stem_of_that_very_name_gets_its_own_place(song: Song) -> None:
    """A stem called a.v2.wav and the copy that goes beside a foreign a.wav do not overwrite one another."""
    (song.outbox / "a.wav").write_text("somebody's own")
    song.put("a.wav", PART)
    song.put("a.v2.wav", LOUDER)
    outcomes = song.outcomes()
    paths = {outcome["copy"]["path"] for outcome in outcomes.values()}
    assert len(paths) == 2
    for outcome in outcomes.values():
        assert song.sidecar(Path(outcome["copy"]["path"]).name)["stem"] == outcome["stem"]
    before = _copies(song)
    song.stage()
    assert _copies(song) == before


def test_two_that_are_done_at_once_do_not_take_one_name(song: Song) -> None:
    """Of stems whose first choice is taken, and stems called as their second is, each gets a copy; none takes two."""
    stems = [f"{number:02}{tail}" for number in range(20) for tail in (".wav", ".v2.wav")]
    for stem in stems:
        song.put(stem, LOUDER if ".v2" in stem else PART)
        if ".v2" not in stem:
            (song.outbox / stem).write_text("somebody's own")
    outcomes = song.outcomes()
    assert set(outcomes) == set(stems)
    assert len({outcome["copy"]["path"] for outcome in outcomes.values()}) == len(stems)
    for stem, outcome in outcomes.items():
        name = Path(outcome["copy"]["path"]).name
        assert song.sidecar(name)["stem"] == stem
        assert tree(song.outbox)[name][-1] == outcome["copy"]["sha256"]


ALIKE = {
    "the pattern gives both one name": ("a.wav", "a_b.wav"),
    "capitals alone": ("Voice.wav", "voice.wav"),
    "one letter in two writings": ("caf\u00e9.wav", "cafe\u0301.wav"),
}


@pytest.mark.parametrize("names", ALIKE.values(), ids=ALIKE.keys())
def test_two_stems_whose_copies_would_be_one_file_are_refused(make_song: SongMaker, names: tuple[str, str]) -> None:
    """Neither of two copies with one name is written, on no file system; each refusal names the other stem."""
    roles = "".join(
        f'[[role]]\nname = "{role}"\nmatch = ["{stem}"]\n' for role, stem in (("b_c", "a.*"), ("c", "a_b.*"))
    )
    song = make_song(f'[copy]\nname = "{{stem}}_{{role}}{{suffix}}"\n{roles}')
    for name in (*names, "alone.wav"):
        song.put(name, PART)
    outcomes = song.outcomes()
    for name, other in (names, names[::-1]):
        assert outcomes[name]["refused"] == "name_refused"
        assert other in outcomes[name]["says"]
    assert song.outbox_names() == {"alone_none.wav", "alone_none.wav.json"}


def test_a_stem_that_went_away_keeps_its_copy(staged: Song) -> None:
    """Removing an original removes nothing in the outbox."""
    before = _copies(staged)
    (staged.inbox / "a.wav").unlink()
    assert set(staged.outcomes()) == {"b.wav"}
    assert _copies(staged) == before


def test_a_re_bounce_that_is_broken_keeps_the_last_good_copy(staged: Song) -> None:
    """A stem bounced anew as a damaged file is refused; the copy of its last good version stays with its log."""
    before = _copies(staged)
    (staged.inbox / "a.wav").write_text("words")
    assert staged.outcome("a.wav")["refused"] == "unreadable"
    assert _copies(staged) == before
