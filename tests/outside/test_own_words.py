"""Words of plug-ins in a project file: a rule that a target names, and codes of checks in `allow`."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support.song import Song, SongMaker

pytestmark = pytest.mark.long

RATE_HZ = 48_000
PLUGINS = Path(__file__).parent.parent / "support" / "own_plugins.py"
FILE = '[[plugin]]\nfile = "own.py"\n'
DEFAULT_AIM_DBFS = -25.0
"""What the rule `aim` aims at where nobody says otherwise."""


def tone(peak: float) -> NDArray[np.float64]:
    """Two seconds of a sine, whose average is its peak in dB (AES17)."""
    return np.asarray(peak * np.sin(2 * np.pi * 1_000 * np.arange(2 * RATE_HZ) / RATE_HZ)).reshape(-1, 1)


def song_of(make_song: SongMaker, toml: str, **peaks: float) -> Song:
    """A song with the plug-ins beside its project file, and a tone for each name."""
    song: Song = make_song(toml)
    (song.folder / "own.py").write_text(PLUGINS.read_text())
    for name, peak in peaks.items():
        song.put(f"{name}.wav", tone(peak))
    return song


def wanted_db(peak: float, level_dbfs: float) -> float:
    """What is missing, rounded down to 0.1 dB."""
    return float(np.floor(10 * (level_dbfs - 20 * np.log10(peak)) + 1e-6) / 10)


def wrong(song: Song) -> str:
    """What staging says of a project file that is wrong."""
    done = song.stager("stage", song.folder)
    assert done.code == 2
    return done.stderr


def test_a_target_names_a_rule(make_song: SongMaker) -> None:
    """The trim is what the rule asks for, in whole steps, and the log has its name and its sentence."""
    song = song_of(make_song, f'{FILE}[target]\nrule = "aim"\n', kick=0.02, bass=0.2)
    for name, outcome in song.outcomes().items():
        trim, peak = outcome["trim"], {"kick.wav": 0.02, "bass.wav": 0.2}[name]
        assert trim["gain_db"] == wanted_db(peak, DEFAULT_AIM_DBFS)
        assert (trim["target"]["rule"], trim["decided_by"]) == ("aim", "target")
        assert trim["because"].startswith("Raised" if trim["gain_db"] > 0 else "Lowered")
        assert trim["because"].endswith(" dB: its own aim.")
    assert song.stager("verify", song.folder).code == 0
    assert song.stager("report", song.folder).code == 0
    assert "by the rule &#34;aim&#34;" in (song.outbox / "report.html").read_text()


def test_a_second_run_finds_nothing_to_do(make_song: SongMaker) -> None:
    """Copies by a plug-in's rule are up to date until the rule is another."""
    song = song_of(make_song, f'{FILE}[target]\nrule = "aim"\n', kick=0.02)
    first = song.outcome("kick.wav")
    assert song.outcome("kick.wav") == first
    (song.folder / "own.py").write_text(PLUGINS.read_text().replace("-25.0", "-30.0"))
    assert song.outcome("kick.wav")["trim"]["gain_db"] == wanted_db(0.02, -30.0)


def test_a_role_names_a_rule(make_song: SongMaker) -> None:
    """Its stems alone go by it; a table that matches nothing has its settings."""
    toml = (
        f'{FILE}use = "aim"\nmatch = []\nlevel_dbfs = -31.0\n'
        '[[role]]\nname = "drum"\nmatch = ["kick*"]\ntarget = { rule = "aim" }\n'
    )
    outcomes = song_of(make_song, toml, kick=0.02, bass=0.1).outcomes()
    assert outcomes["kick.wav"]["trim"]["gain_db"] == wanted_db(0.02, -31.0)
    assert outcomes["bass.wav"]["trim"]["gain_db"] == wanted_db(0.1, -18.0)


def test_the_other_way_is_kept(make_song: SongMaker) -> None:
    """A [[plugin]] table that matches a stem decides for it, whatever rule its target names."""
    toml = f'{FILE}use = "aim"\nmatch = ["kick*"]\nlevel_dbfs = -40.0\n[target]\nrule = "aim"\n'
    outcomes = song_of(make_song, toml, kick=0.02, bass=0.1).outcomes()
    assert outcomes["kick.wav"]["trim"]["gain_db"] == wanted_db(0.02, -40.0)
    assert outcomes["bass.wav"]["trim"]["gain_db"] == wanted_db(0.1, DEFAULT_AIM_DBFS)


def test_the_ceiling_stays_above_a_rule(make_song: SongMaker) -> None:
    """A rule that asks for more than the ceiling allows is stopped by it, and the sentence says so."""
    toml = f'{FILE}use = "aim"\nmatch = []\nlevel_dbfs = -1.0\n[target]\nrule = "aim"\n'
    trim = song_of(make_song, toml, kick=0.5).outcome("kick.wav")["trim"]
    assert trim["decided_by"] == "ceiling"
    assert trim["gain_db"] == wanted_db(0.5, -3.0)
    assert trim["because"].startswith("Raised 3 dB; the ceiling of -3 dBTP stopped it: the true peak goes")
    assert 'The rule "aim" wants +5.0 dB' in trim["because"]


@pytest.mark.parametrize(
    ("toml", "line", "key"),
    [
        ('[target]\nrule = "aims"\n', 7, "target.rule"),
        ('[[role]]\nname = "drum"\nmatch = ["kick*"]\ntarget = { rule = "aims" }\n', 9, 'role."drum".target.rule'),
    ],
    ids=["target", "role"],
)
def test_an_unknown_rule_has_its_line(make_song: SongMaker, toml: str, line: int, key: str) -> None:
    """The rules that are known are listed, ours and others', with the nearest."""
    ours = '"average", "loudness", "vu", "peak", "leave" or "aim"'
    says = wrong(song_of(make_song, FILE + toml, kick=0.1))
    assert f'stager.toml:{line}: {key}: expected {ours}, found "aims"; did you mean "aim"?' in says


def test_a_link_can_have_no_rule_of_that_kind(make_song: SongMaker) -> None:
    """A link whose target names one, or inherits it, is an error with its line."""
    link = '[[link]]\nname = "pair"\nmatch = ["kick*", "bass*"]\n'
    own = wrong(song_of(make_song, f'{FILE}{link}target = {{ rule = "aim" }}\n', kick=0.1))
    says = 'link."pair".target.rule: expected a rule that a group can share, found "aim"'
    assert f"stager.toml:9: {says}" in own
    inherited = make_song(f'{FILE}[target]\nrule = "aim"\n{link}', "inherited")
    (inherited.folder / "own.py").write_text(PLUGINS.read_text())
    assert f"stager.toml:8: {says}" in wrong(inherited)


def test_where_a_rule_does_not_count_is_said(make_song: SongMaker) -> None:
    """Stems of a link and those that are left as they are: a finding tells, and the trim is theirs."""
    toml = (
        f'{FILE}use = "aim"\n[[link]]\nname = "pair"\nmatch = ["left*", "right*"]\n'
        '[[role]]\nname = "click"\nmatch = ["click*"]\ntarget = { rule = "leave" }\n'
    )
    outcomes = song_of(make_song, toml, left=0.1, right=0.05, click=0.3, kick=0.1).outcomes()
    told = {
        name: [finding["says"] for finding in outcome["findings"] if finding["code"] == "rule_not_used"]
        for name, outcome in outcomes.items()
    }
    linked = 'The rule "aim" does not count here: the link "pair" gives all its members one trim.'
    left = 'The rule "aim" does not count here: its target says to leave it as it is.'
    assert told == {"left.wav": [linked], "right.wav": [linked], "click.wav": [left], "kick.wav": []}
    assert all(outcome["verdict"] == "usable" for outcome in outcomes.values())
    assert outcomes["click.wav"]["trim"]["gain_db"] == 0.0
    assert outcomes["left.wav"]["trim"]["gain_db"] == outcomes["right.wav"]["trim"]["gain_db"] == wanted_db(0.1, -18.0)


def verdicts(song: Song) -> dict[str, Any]:
    return {name: outcome["verdict"] for name, outcome in song.outcomes("--jobs", "1").items()}


def test_a_check_says_what_allow_may_name(make_song: SongMaker) -> None:
    """Its code makes a stem one to listen to; what the project or the role allows leaves the verdict."""
    check = f'{FILE}use = "crowd"\n'
    role = '[[role]]\nname = "drum"\nmatch = ["kick*"]\nallow = ["alone", "crowded"]\n'
    peaks = {"kick": 0.1, "bass": 0.1}
    assert set(verdicts(song_of(make_song, check, **peaks)).values()) == {"listen"}
    by_role = make_song(check + role, "role")
    everywhere = make_song(f'[project]\nallow = ["alone", "crowded"]\n{check}', "project")
    for song in (by_role, everywhere):
        (song.folder / "own.py").write_text(PLUGINS.read_text())
        for name, peak in peaks.items():
            song.put(f"{name}.wav", tone(peak))
    assert verdicts(by_role) == {"kick.wav": "usable", "bass.wav": "listen"}
    assert set(verdicts(everywhere).values()) == {"usable"}


def test_check_asks_about_the_whole_set(make_song: SongMaker) -> None:
    """Before anything is staged, each stem is told of all others: 2 beside it, of which 0, 1 and 2 are louder."""
    song = song_of(make_song, f'{FILE}use = "crowd"\n', kick=0.02, bass=0.1, voice=0.3)
    told = song.stager("check", song.folder, "--json").json()["findings"]
    said = {stem: one["says"] for one in told if one["code"] == "crowded" for stem in one["stems"]}
    louder = {"voice.wav": 0, "bass.wav": 1, "kick.wav": 2}
    assert said.keys() == louder.keys()
    assert all(f"beside 2, of which {count} are louder" in said[stem] for stem, count in louder.items())


def test_a_report_is_out_of_date_with_its_plugins(make_song: SongMaker) -> None:
    """What a report was made of has another name once a check's file is another, and the same one until then."""
    song = song_of(make_song, f'{FILE}use = "crowd"\n', kick=0.02)

    def made_of() -> str:
        told: str = song.stager("check", song.folder, "--json").json()["of"]
        return told

    before = made_of()
    assert made_of() == before
    with (song.folder / "own.py").open("a") as own:
        own.write("\n# another one\n")
    assert made_of() != before


def test_an_unknown_code_has_its_line(make_song: SongMaker) -> None:
    """Beside a check's codes, too; and without the check, its own codes are unknown."""
    role = '[[role]]\nname = "drum"\nmatch = ["kick*"]\nallow = ["alone", "crowdet"]\n'
    says = wrong(song_of(make_song, f'{FILE}use = "crowd"\n{role}', kick=0.1))
    assert 'stager.toml:10: role."drum".allow.2: expected one of ' in says
    assert 'found "crowdet"; did you mean "crowded"?' in says
    without = make_song(role, "without")
    assert 'stager.toml:7: role."drum".allow.1: expected ' in wrong(without)


def test_a_check_keeps_to_its_codes(make_song: SongMaker) -> None:
    """A code that it does not declare could never be allowed: the stem is refused with the check's name."""
    outcome = song_of(make_song, f'{FILE}use = "loose"\n', kick=0.1).outcome("kick.wav")
    assert outcome["refused"] == "step_failed"
    assert (
        "check 'loose' of own.py: expected findings with a code that it declares (loose), found other"
        in outcome["says"]
    )


def test_only_a_rule_may_match_nothing(make_song: SongMaker) -> None:
    """A check that is used for no stem is a slip."""
    says = wrong(song_of(make_song, f'{FILE}use = "crowd"\nmatch = []\n', kick=0.1))
    assert "stager.toml:7: plugin.1.match: expected at least one entry, found none, which is for rules alone" in says
