"""The words of the page, from records."""

import json

import pytest

from stager.model import DecidedBy, Refused, Staged, Verdict
from stager.page.showing import place_of, signed, song_shown, stem_shown, take_shown
from tests.page.rooms import finding, refused_take, take
from tests.support.records import levels, sidecar

MINUS = "\N{MINUS SIGN}"


def staged(stem: str, gain_db: float = 2.0, at: str = "2026-01-01T00:00:00.000+00:00") -> Staged:
    made = sidecar(stem=stem, staged_at=at)
    return Staged(made.model_copy(update={"trim": made.trim.model_copy(update={"gain_db": gain_db})}))


@pytest.mark.parametrize(
    ("change_db", "places", "text"),
    [(6, 0, "+6 dB"), (-15, 0, f"{MINUS}15 dB"), (0, 0, "0 dB"), (-0.04, 1, "0.0 dB"), (8.04, 1, "+8.0 dB")],
)
def test_changes_have_a_sign(change_db: float, places: int, text: str) -> None:
    """A change is told with a true minus or a plus, and nothing has neither."""
    assert signed(change_db, places) == text


@pytest.mark.parametrize(
    ("change_db", "label"), [(3, "turn the input up"), (-3, "turn the input down"), (0, "leave the input")]
)
def test_a_sign_comes_with_words(change_db: int, label: str) -> None:
    """The sign alone is easily overlooked: words say which way to turn."""
    assert take_shown(take("voice.wav", change_db)).label == label


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_verdict_has_a_word(verdict: Verdict) -> None:
    """No two verdicts share a word or a mark."""
    shown = [take_shown(take("a.wav", 0, finding("x", one))) for one in Verdict]
    assert len({one.word for one in shown}) == len({one.mark for one in shown}) == len(Verdict)
    assert take_shown(take("a.wav", 0, finding("x", verdict))).mark == verdict.value


def test_the_place_is_that_of_the_verdict() -> None:
    """Where to listen is the worst place of a finding that made the verdict; a fact's place is none."""
    found = (
        finding("hum", Verdict.LISTEN, 9.0),
        finding("no place", Verdict.PLAY_AGAIN),
        finding("x", Verdict.PLAY_AGAIN, 62.3),
    )
    assert place_of(found, Verdict.PLAY_AGAIN) == "1:02.3"
    assert place_of((finding("fact", Verdict.USABLE, 3.0),), Verdict.USABLE) is None


def test_the_worst_is_said_first() -> None:
    """Sentences follow the verdict; then comes the advice, then facts, each once."""
    shown = take_shown(
        take(
            "a.wav",
            0,
            finding("hum", Verdict.LISTEN),
            finding("fact", Verdict.USABLE),
            finding("fact", Verdict.USABLE),
            finding("cut", Verdict.PLAY_AGAIN),
        )
    )
    assert shown.says == ("cut", "hum", "advice", "fact", "Noise: no pause to judge it by.")


def test_nothing_heard_is_said() -> None:
    """A take in which nothing plays has no figure, and says why."""
    silent = take("a.wav", None)
    shown = take_shown(silent.model_copy(update={"levels": silent.levels.model_copy(update={"average_dbfs": None})}))
    assert (shown.figure, shown.label) == (None, None)
    assert "Nothing is heard" in shown.says[0]


def test_what_was_refused_is_shown_too() -> None:
    """A take that can't be judged and a stem without a copy have words of their own, and no figure."""
    shown = [take_shown(refused_take()), stem_shown(Refused("a.wav", "bounces/a.wav", "unreadable", "no audio"))]
    assert [(one.mark, one.word, one.figure) for one in shown] == [
        ("refused", "Not judged", None),
        ("refused", "No copy", None),
    ]


def test_names_move_nothing() -> None:
    """A newline and a mark that turns the direction of writing stand as text in names."""
    assert take_shown(take("a\nb\N{RIGHT-TO-LEFT OVERRIDE}c.wav")).name == "a\\nb\\u202ec.wav"


def test_the_newest_take_leads() -> None:
    """Of twelve takes the last one leads, and the ten before it follow, newest first; stems come beside them."""
    takes = [take(f"{number:02}.wav") for number in range(12)]
    shown = song_shown("Salt Road", takes, [staged("kick.wav")])
    assert shown["newest"]["name"] == "11.wav"
    assert [one["name"] for one in shown["takes"]] == [f"{number:02}.wav" for number in range(10, 0, -1)]
    assert [one["name"] for one in shown["stems"]] == ["kick.wav"]


def test_without_takes_the_newest_stem_leads() -> None:
    """Stems come by the time they were staged; those without a copy wait for somebody, and come before all."""
    bad = Refused("bad.wav", "bounces/bad.wav", "unreadable", "no audio")
    outcomes = [staged("new.wav", at="2026-01-02"), staged("old.wav", at="2026-01-01"), bad]
    shown = song_shown("Salt Road", [], outcomes)
    assert shown["newest_is"] == "stem"
    assert [shown["newest"]["name"], *(one["name"] for one in shown["stems"])] == ["bad.wav", "new.wav", "old.wav"]


def test_nothing_yet() -> None:
    """A song without takes and stems has nothing to show, and that is plain data too."""
    shown = song_shown("Salt Road", [], [])
    assert (shown["newest"], shown["takes"], shown["stems"], shown["caution"]) == (None, [], [], None)
    assert json.loads(json.dumps(shown)) == shown


def test_a_stem_says_why() -> None:
    """A stem's line has its trim and the reason for it."""
    shown = stem_shown(staged("kick.wav", 2.0))
    assert shown.figure == "+2.0 dB"
    assert sidecar().trim.because in shown.says
    assert sidecar().trim.decided_by is DecidedBy.TARGET


def test_a_large_number_is_never_a_trim() -> None:
    """Where a stem leads, its trim is no figure of the newest, which is read as what to turn; below it stands."""
    shown = song_shown("Salt Road", [], [staged("a.wav", 8.0), staged("b.wav", 3.0, "2025-01-01T00:00:00.000+00:00")])
    assert (shown["newest"]["name"], shown["newest"]["figure"], shown["newest"]["label"]) == ("a.wav", None, None)
    assert [stem["figure"] for stem in shown["stems"]] == ["+3.0 dB"]


def test_balance_and_noise_of_a_take() -> None:
    """The sides' balance, and how far the noise lies under the part, stand in plain words where they are known."""
    known = levels().model_copy(update={"average_dbfs": -18.0, "noise_floor_dbfs": -63.2, "side_balance_db": 2.1})
    assert take_shown(take("a.wav", 0, levels=known)).says[-2:] == (
        "Balance: left +2.1 dB.",
        "Noise: 45 dB under the part.",
    )


def test_usable_takes_of_the_same_part() -> None:
    """The newest take names the earlier ones of its part that are usable, and no others."""
    bad = take("voice_2.wav", 0, finding("cut", Verdict.PLAY_AGAIN))
    takes = [take("voice_1.wav"), bad, take("drum_1.wav"), take("voice_3.wav")]
    assert song_shown("Salt Road", takes, [])["newest"]["says"][-1] == "Usable takes of this part so far: voice_1.wav."
    assert "Usable" not in "".join(song_shown("Salt Road", takes[:1], [])["newest"]["says"])


def test_a_missing_folder_of_takes_is_explained() -> None:
    """Without a folder of takes the page says how to set one; with one it does not."""
    assert "takes =" in song_shown("Salt Road", [], [], has_takes_folder=False)["hint"]
    assert song_shown("Salt Road", [], [])["hint"] is None


def test_the_caution_knows_how_new_its_copies_are() -> None:
    """The time of the latest of the louder copies goes with the caution, so that it does not stand for ever."""
    outcomes = [staged("a.wav", 8.0), staged("b.wav", 9.0, "2025-01-01T00:00:00.000+00:00"), staged("c.wav", 1.0)]
    assert song_shown("Salt Road", [], outcomes)["caution_from"] == "2026-01-01T00:00:00.000+00:00"
    assert song_shown("Salt Road", [], outcomes[2:])["caution_from"] is None


def test_a_stereo_stem_has_its_balance() -> None:
    """Said in words, with the louder side."""
    one = staged("pad.wav")
    known = one.sidecar.model_copy(update={"levels": levels().model_copy(update={"side_balance_db": -1.26})})
    assert "Balance: right +1.3 dB." in stem_shown(Staged(known, fresh=True)).says


def test_noise_is_said_once() -> None:
    """Its finding has the figure already."""
    one = take("a.wav", 0, finding("noisy", Verdict.USABLE).model_copy(update={"code": "noise_raised"}))
    known = one.levels.model_copy(update={"average_dbfs": -18.0, "noise_floor_dbfs": -60.0})
    for findings, times in ((one.findings, 0), ((), 1)):
        says = take_shown(one.model_copy(update={"levels": known, "findings": findings})).says
        assert sum(text.startswith("Noise: ") for text in says) == times
