"""Names that whoever gets the stems can't use, each with a near miss."""

import string

import pytest

from stager.judge.stem_names import NameFault, name_faults, name_unclear, says_something
from stager.model import Verdict
from tests.judge.facts import fact

REFUSED, SAYS_NOTHING, NOT_PORTABLE = NameFault.REFUSED, NameFault.SAYS_NOTHING, NameFault.NOT_PORTABLE

MICROSOFT_MARKS = '<>:"\\|?*'
"""Reserved characters of Microsoft's "Naming Files, Paths, and Namespaces", but for / (which parts a path)."""
MICROSOFT_DEVICES = [
    "CON PRN AUX NUL",
    *(f"{port}{number}" for port in ("COM", "LPT") for number in "123456789¹²³"),
]
DEVICES = " ".join(MICROSOFT_DEVICES).split()
POSIX_PORTABLE = string.ascii_letters + string.digits + "._-"
"""POSIX.1-2017, 3.282, portable filename character set."""


@pytest.mark.parametrize("mark", MICROSOFT_MARKS)
def test_reserved_marks(mark: str) -> None:
    """A mark that Microsoft lists as reserved is refused somewhere, and is named."""
    reason = name_faults(f"bass{mark}low.wav")[REFUSED]
    assert reason == f"has {mark}"


@pytest.mark.parametrize("device", DEVICES)
@pytest.mark.parametrize("form", ["{}.wav", "{}", "{}.new.wav", "drums/{}.wav", "{}/kick.wav", "{} .wav"])
def test_names_of_devices(device: str, form: str) -> None:
    """A device's name is refused with any extension, in any case, as a file or a folder."""
    assert REFUSED in name_faults(form.format(device))
    assert REFUSED in name_faults(form.format(device.lower()))


@pytest.mark.parametrize(
    "near", ["aux_send.wav", "com10.wav", "com.wav", "conga.wav", "nulle.wav", "my_aux.wav", "lpt0.wav"]
)
def test_near_a_device(near: str) -> None:
    """A name that only begins or ends like a device's is none."""
    assert name_faults(near).keys().isdisjoint({REFUSED})


@pytest.mark.parametrize(
    ("stem", "reason"),
    [
        ("drums./kick.wav", "ends in a dot"),
        ("drums /kick.wav", "ends in a space"),
        ("kick.wav.", "ends in a dot"),
        ("ki\tck.wav", "has a character that can't be printed"),
        ("k" * 61 + ".wav", "65 characters long"),
    ],
)
def test_refused_for_other_reasons(stem: str, reason: str) -> None:
    """A trailing dot or space, a control character and a very long name are refused somewhere."""
    assert name_faults(stem)[REFUSED] == reason


@pytest.mark.parametrize(
    "near", ["drums.old/kick.wav", "kick..wav", "k" * 60 + ".wav", "a_long_folder/" * 9 + "kick.wav"]
)
def test_near_a_refused_name(near: str) -> None:
    """Dots inside, 64 characters, and many folders are no reason."""
    assert name_faults(near) == {}


NOTHING = [
    "Audio 1.wav", "Track 03.wav", "bounce.wav", "untitled.wav", "01.wav", "Audio-1_2.wav", "Stem (3).wav", "L.wav",
    "drums/01.wav", "Spur 4.wav", "sans titre.wav", "new bounce FINAL v2.wav", "track03_R.wav", "_.wav", "k.wav",
]  # fmt: skip
SOMETHING = [
    "kick.wav", "Track 03 kick.wav", "bounce_bass.wav", "01_sarod.wav", "vox.wav", "鼓.wav", "OH_L.wav",
    "тромбон 1.wav", "untitled/hand drum.wav", "tracked.wav", "di.wav",
]  # fmt: skip


@pytest.mark.parametrize("stem", NOTHING)
def test_names_that_say_nothing(stem: str) -> None:
    """A number, a letter, or a recorder's own word tells nobody what plays; a folder's name gets lost on the way."""
    assert not says_something(stem.rpartition("/")[2])
    assert SAYS_NOTHING in name_faults(stem)


@pytest.mark.parametrize("stem", SOMETHING)
def test_names_that_say_something(stem: str) -> None:
    """One word of any script for what plays is enough, whatever stands around it."""
    assert says_something(stem.rpartition("/")[2])
    assert SAYS_NOTHING not in name_faults(stem)


@pytest.mark.parametrize(
    "mark", sorted(set(map(chr, range(33, 127))) - set(POSIX_PORTABLE) - set(MICROSOFT_MARKS) - {"/"})
)
def test_marks_that_are_not_portable(mark: str) -> None:
    """What POSIX leaves out of its portable set, and nobody refuses, is said as a fact."""
    assert name_faults(f"bass{mark}low.wav") == {NOT_PORTABLE: f"has {mark}"}


@pytest.mark.parametrize("char", POSIX_PORTABLE)
def test_portable_characters(char: str) -> None:
    """Every character of the portable set is fine inside a name."""
    assert name_faults(f"bass{char}low.wav") == {}


@pytest.mark.parametrize(
    ("stem", "reason"),
    [
        ("hand drum.wav", "has space"),
        ("voix_été.wav", "has é"),
        ("voix_e\u0301te\u0301.wav", "has é"),
        ("-kick.wav", "begins with -"),
        ("my drums/kick.wav", "has space"),
        ("a b&c(d)+e#f@g~h.wav", "has space # & ( )"),
    ],
)
def test_reasons_that_a_name_is_not_portable(stem: str, reason: str) -> None:
    """Spaces, accents (in either writing), marks and a hyphen in front are named, the first few of many."""
    assert name_faults(stem)[NOT_PORTABLE] == reason


def test_a_refused_name_is_not_called_unportable_as_well() -> None:
    """One fault is enough where the worse one contains the other."""
    assert name_faults("a b?c bass.wav") == {REFUSED: "has ?"}


def test_name_unclear_by_kind() -> None:
    """Each kind is a finding of its own: refused and empty names are to be looked at, marks are a fact."""
    stems = [fact("aux.wav"), fact("Audio 1.wav"), fact("hand drum.wav"), fact("kick.wav")]
    refused, nothing, marks = name_unclear(stems)
    assert [odd.code for odd in (refused, nothing, marks)] == ["name_unclear"] * 3
    assert [odd.verdict for odd in (refused, nothing, marks)] == [Verdict.LISTEN, Verdict.LISTEN, Verdict.USABLE]
    assert refused.says(refused.stems) == "1 name that some systems refuse: aux.wav (aux is a device there)."
    assert nothing.says(nothing.stems) == "1 name with no word for what plays: Audio 1.wav."
    assert marks.says(marks.stems) == (
        "2 names with more than letters A to Z, digits, dot, hyphen and underscore: "
        "Audio 1.wav (has space) and hand drum.wav (has space)."
    )
    assert [odd.measured["fault"] for odd in (refused, nothing, marks)] == ["refused", "says_nothing", "not_portable"]


def test_clear_names() -> None:
    """Plain names make no finding."""
    assert name_unclear([fact("kick.wav"), fact("drums/snare_top.wav")]) == []
