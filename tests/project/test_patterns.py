"""Patterns mean what a musician who wrote them would expect."""

import unicodedata

import pytest

from stager.project.patterns import folded, is_hidden, matches, matches_any

MEANT = {
    "the whole path": ("voice.wav", "voice.wav"),
    "a star for the rest": ("voice_2.wav", "voice*"),
    "a star reaches into subfolders": ("drums/kick.wav", "*.wav"),
    "a star reaches two folders down": ("a/b/kick.wav", "a/*.wav"),
    "a name alone is found in a subfolder": ("lead/voice.wav", "voice*"),
    "a folder's name": ("drums/kick.wav", "drums/*"),
    "capitals in the name": ("VOICE.WAV", "voice.wav"),
    "capitals in the pattern": ("voice.wav", "*VOICE*"),
    "capitals in a list of letters": ("take_b.wav", "take_[A-C].wav"),
    "a sharp s is two": ("strasse.wav", "STRAßE*"),
    "one character": ("take1.wav", "take?.wav"),
    "signs above and below in another order": ("\u03b1\u0345\u0301.wav", "\u03b1\u0301\u0345*"),
    "a line break in the name": ("odd\nname.wav", "odd*"),
}

NOT_MEANT = {
    "another name": ("voice.wav", "viola*"),
    "only the start": ("voice.wav", "voice"),
    "the extension counts": ("voice.flac", "voice.wav"),
    "a folder in the pattern is not searched deeper": ("song/drums/kick.wav", "drums/*"),
    "one character is not two": ("take12.wav", "take?.wav"),
    "a pattern for names does not see folders": ("voice/take.wav", "voice.wav"),
}


@pytest.mark.parametrize(("stem", "pattern"), MEANT.values(), ids=MEANT.keys())
def test_pattern_means_the_stem(stem: str, pattern: str) -> None:
    """A stem is matched on its path below the inbox, and by a pattern without a slash on its own name too."""
    assert matches(stem, pattern)


@pytest.mark.parametrize(("stem", "pattern"), NOT_MEANT.values(), ids=NOT_MEANT.keys())
def test_pattern_does_not_mean_the_stem(stem: str, pattern: str) -> None:
    """What the pattern does not say is not matched."""
    assert not matches(stem, pattern)


@pytest.mark.parametrize("stem_form", ["NFC", "NFD"])
@pytest.mark.parametrize("pattern_form", ["NFC", "NFD"])
def test_accents_match_in_both_spellings(stem_form: str, pattern_form: str) -> None:
    """One disk stores an accented letter as one sign, another as two; a pattern finds both."""
    stem = unicodedata.normalize(stem_form, "Chœur/Flûte à bec É.wav")  # type: ignore[arg-type]
    pattern = unicodedata.normalize(pattern_form, "flûte à bec é*")  # type: ignore[arg-type]
    assert matches(stem, pattern)


@pytest.mark.parametrize("text", ["É", "ǰ", "İstanbul", "ΐ", "Straße"])
def test_folding_twice_changes_nothing(text: str) -> None:
    """Folded text is in its final form, also for letters that case-folding takes apart."""
    assert folded(folded(text)) == folded(text)


def test_bytes_that_are_no_text_are_compared_too() -> None:
    """A name with undecodable bytes, as the system hands it over, does not stop the comparison."""
    assert matches("caf\udce9.wav", "*.wav")


def test_any_of_several_patterns_is_enough() -> None:
    """One pattern that matches is enough, and none of none."""
    assert matches_any("b.wav", ["a*", "b*"])
    assert not matches_any("b.wav", [])


@pytest.mark.parametrize(
    ("stem", "hidden"),
    [
        (".kick.wav", True),
        ("~kick.wav", True),
        (".trash/kick.wav", True),
        ("drums/~old/kick.wav", True),
        ("drums/kick.wav", False),
        ("drums/kick.~wav", False),
    ],
)
def test_hidden_names_in_any_folder(stem: str, hidden: bool) -> None:
    """A dot or tilde at the start of any part of the path hides the stem, elsewhere in a name it does not."""
    assert is_hidden(stem) is hidden
