"""`notes.md`, read by another program's Markdown parser: what stands on the page is what a mixer sees."""

import re
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from stager.judge import decide_trim
from stager.model import Encoding, Refused, Sidecar, Target, Verdict
from stager.report.notes import Notes, Song, escaped, notes_text
from tests.support.records import levels, sidecar

SONG = Song("Salt Road", 92.0, "D minor", "The bells come late.")
READER = MarkdownIt("commonmark").enable("table")


def trimmed(stem: str, average: float = -20.0, peak: float = -8.0, **changes: Any) -> Sidecar:
    """A sidecar of a stem under this name, its copy under the same, with the trim that its levels ask for."""
    found = levels(average_dbfs=average, true_peak_dbtp=peak, sample_peak_dbfs=peak)
    target = changes.pop("target", Target())
    trim = decide_trim(found, target, lambda gain: average + gain)
    base = sidecar()
    assert base.copy_ is not None
    made = base.copy_.model_copy(update={"path": f"staged/{stem}"})
    return sidecar(stem=stem, levels=found, **{"trim": trim, "copy": made, **changes})


def page(*sidecars: Sidecar, **changes: Any) -> str:
    return notes_text(Notes(**{"song": SONG, "sidecars": sidecars, **changes}))


def cells(text: str) -> list[list[str]]:
    """Return the rows of the table as a reader shows them, the head first."""
    rows: list[list[str]] = []
    for token in READER.parse(text):
        if token.type == "tr_open":
            rows.append([])
        elif token.type == "inline" and rows and len(rows[-1]) < 8 and token.level > 3:
            rows[-1].append(shown(token))
    return rows


def shown(token: Any) -> str:
    """Return the plain text of an inline, and fail where there is any markup in it."""
    kinds = {child.type for child in token.children}
    assert kinds <= {"text", "text_special"}, kinds
    return "".join(child.content for child in token.children)


def test_a_row_for_each_stem() -> None:
    """Name, role, channels, length, the copy's average, the trim and the fader move that undoes it."""
    other = trimmed("bass.wav", -12.0, -5.0)
    other = other.model_copy(update={"trim": other.trim.model_copy(update={"role": "low end", "link": "pair"})})
    rows = cells(page(trimmed("a/kick.wav", -21.2, -14.0), other))
    assert rows == [
        ["Stem", "What it is", "Channels", "Length", "Average, dBFS", "Trim, dB", "Fader back, dB"],
        ["a/kick.wav", "", "mono", "0:01.000", "-18.0", "+3.2", "-3.2"],
        ["bass.wav", 'low end, link "pair"', "mono", "0:01.000", "-18.0", "-6", "+6"],
    ]


def test_starts_are_shown_where_there_are_any() -> None:
    """Starts count from the earliest time stamp; a stem without one has a dash."""
    starts = {"a.wav": Fraction(3600), "b.wav": Fraction(7205, 2)}
    rows = cells(page(*map(trimmed, ("a.wav", "b.wav", "c.wav")), starts_s=starts))
    assert [row[4] for row in rows] == ["Start", "0:00.000", "0:02.500", "-"]


@pytest.mark.parametrize("starts", [{}, {"a.wav": Fraction(3600)}])
def test_the_start_is_explained_where_it_is_shown(starts: dict[str, Fraction]) -> None:
    """The line on how starts count stands on the page with the column, and not without it."""
    text = page(trimmed("a.wav"), starts_s=starts)
    assert ("Start" in cells(text)[0]) is bool(starts)
    assert ("Start counts from the earliest time stamp." in text) is bool(starts)


def test_fine_steps_are_whole() -> None:
    """A trim in thousandths keeps all its places, so that it can be undone."""
    (_, row) = cells(page(trimmed("a.wav", -21.2346, -14.0, target=Target(step_db=0.001))))
    assert row[-2:] == ["+3.234", "-3.234"]


def test_a_stem_left_alone() -> None:
    """A trim of nothing is 0 without a sign, and a set of such stems says that its balance is as it was."""
    text = page(trimmed("a.wav", -18.2, -9.0))
    assert cells(text)[1][-2:] == ["0", "0"]
    assert "at unity faders the rough balance is as it was" in text
    assert "Caution" not in text


def test_a_copy_under_another_name_is_named_as_it_lies_there() -> None:
    """Where copies get names of their own, the page has those, since they are what is sent."""
    base = sidecar()
    assert base.copy_ is not None
    made = base.copy_.model_copy(update={"path": "staged/kick_trimmed.wav"})
    assert cells(page(trimmed("kick.wav", copy=made)))[1][0] == "kick_trimmed.wav"
    assert cells(page(trimmed("kick.wav", copy=None)))[1][0] == "kick.wav"


@pytest.mark.parametrize(
    "name",
    [
        "a|b.wav", "`code`.wav", "*loud*.wav", "_low_.wav", "harmonium_L.wav", "__x__.wav", "a_b_.wav",
        "<b>bold</b>.wav", "[x](y).wav", "![x](y).wav", "&amp;.wav", "&#35;.wav", "~~gone~~.wav",
        "back\\slash|.wav", "\\|.wav", "# one.wav", "- one.wav", "1. one.wav", "> one.wav", "http://x.y.wav",
        "www.x.y.wav", "$a$ $b$.wav", "=cmd|' /C x'!A0.wav", "---", "<!-- -->.wav", "<http://x>.wav",
        "a:b:c.wav", "тромбон|1.wav", "x``|``y.wav",
    ],
)  # fmt: skip
def test_a_stem_may_be_called_anything(name: str) -> None:
    """Whatever a stem is called, a reader shows that name, in one cell, as plain text."""
    rows = cells(page(trimmed(name), trimmed("next.wav")))
    assert [row[0] for row in rows] == ["Stem", name, "next.wav"]
    assert {len(row) for row in rows} == {7}


@settings(deadline=None, max_examples=300)
@given(name=st.text(st.sampled_from("ab1_*`|\\<>[]()!&#;~-+=.:/$\"' "), min_size=1, max_size=14))
def test_any_marks_in_a_name(name: str) -> None:
    """No mix of marks gets out of its cell; only spaces at its ends are lost."""
    rows = cells(page(trimmed("x.wav"), trimmed(f"x{name}x")))
    assert [row[0] for row in rows[1:]] == ["x.wav", f"x{name}x"]


def test_control_characters_are_written_out() -> None:
    """A name with a line end or a terminal's escape stays in its line."""
    assert escaped("a\nb\x1b[0m") == "a\\\\nb\\\\x1b\\[0m"
    assert len(cells(page(trimmed("a\n\n# b\x1b.wav")))) == 2


def test_names_with_underscores_stay_readable() -> None:
    """What needs no escape has none: the page is read in text editors too."""
    assert escaped("drums/kick_in_1 (close).wav") == "drums/kick_in_1 (close).wav"


def test_song() -> None:
    """The song's name, tempo, key and notes stand at the top; the notes are the person's own Markdown."""
    text = page(trimmed("a.wav"), song=Song("Salt *Road* #", 92.5, "F#m", "- one\n- *two*\x07"))
    top = text.split("\n\n")
    assert top[0] == "# Salt \\*Road\\* \\#: notes for the mix"
    assert top[1] == "Tempo: 92.5 bpm. Key: F\\#m."
    assert top[2] == "- one\n- *two*\\x07"
    assert READER.render(top[0]) == "<h1>Salt *Road* #: notes for the mix</h1>\n"


def test_a_song_without_tempo_and_key() -> None:
    """What is not given is not there, nor a gap in its place."""
    text = page(trimmed("a.wav"), song=Song("Salt Road"))
    assert text.startswith("# Salt Road: notes for the mix\n\n1 stem, 48 kHz, 24-bit.\n\n|")
    assert "Tempo" not in text
    assert "\n\n\n" not in text


def test_formats_of_all() -> None:
    """How many stems, at which rates and depths."""
    base = trimmed("b.wav")
    assert base.copy_ is not None
    other = trimmed(
        "b.wav",
        source=base.source.model_copy(update={"sample_rate_hz": 44_100, "channels": 2}),
        copy=base.copy_.model_copy(update={"encoding": Encoding.FLOAT}),
    )
    text = page(trimmed("a.wav"), other, trimmed("c.wav", source=base.source.model_copy(update={"channels": 6})))
    assert "\n3 stems, 44.1, 48 kHz, 32-bit float, 24-bit.\n" in text
    assert [row[2] for row in cells(text)[1:]] == ["mono", "stereo", "6"]


def test_what_to_know() -> None:
    """Sentences about the set stand in a list with their verdicts, refused stems in another with the reason."""
    lines = [(Verdict.LISTEN, "1 name: a*b.wav."), (Verdict.PLAY_AGAIN, "Clipped: kick.wav.")]
    refused = [Refused("x/y.wav", "bounces/x/y.wav", "truncated", "y.wav: expected 2.00 s, found 1.00 s")]
    text = page(trimmed("a.wav"), lines=lines, refused=refused)
    assert "## To know before mixing\n\n- **LISTEN:** 1 name: a\\*b.wav.\n- **PLAY AGAIN:** Clipped: kick.wav." in text
    assert "## Not among them\n\n- **x/y.wav** (truncated): y.wav: expected 2.00 s, found 1.00 s\n" in text
    assert "##" not in page(trimmed("a.wav"))


def test_conventions() -> None:
    """Every level on the page has its reference."""
    square = trimmed("b.wav")
    square = square.model_copy(update={"levels": square.levels.model_copy(update={"average_reference": "square"})})
    assert "in dBFS (AES17: a full-scale sine reads 0)" in page(trimmed("a.wav"))
    assert "(AES17: a full-scale sine reads 0; a full-scale square reads 0)" in page(trimmed("a.wav"), square)


def test_caution_where_level_goes_up() -> None:
    """The largest raise is said, with the caution and to whom to turn; where nothing was raised there is none."""
    text = page(trimmed("a.wav", -30.0, -25.0), trimmed("b.wav", -20.0, -15.0))
    assert "> **Caution.** One copy is more than 6 dB louder than its original (a.wav, +12.0 dB). Turn monitors" in text
    assert re.search(r"safe-listening guidance where you live, and ask a licensed audiologist", text)
    assert "Caution" not in page(trimmed("a.wav", -10.0, -5.0))


def test_no_stems() -> None:
    """An empty project has a page that says so, with no table and no caution."""
    text = page()
    assert "No stem has been staged yet." in text
    assert "|" not in text
    assert text.endswith("yet.\n")
