"""Names of packed files: every one different, and in characters that every system takes."""

import re

from hypothesis import given
from hypothesis import strategies as st

from stager.pack.names import Named, in_order, packed_names, portable

PORTABLE = re.compile(r"\d{2,}_[a-z0-9_]+\.wav")
"""Lower-case letters, digits, underscore: part of the portable filename character set, POSIX.1-2017, 3.282."""


def names_of(*stems: str, role: str | None = None) -> list[str]:
    """Return the names of stems without or with one role."""
    return packed_names([Named(stem, role, 0) for stem in stems])


@given(st.lists(st.text(min_size=1, max_size=80), max_size=120), st.none() | st.text(max_size=20))
def test_any_names_become_different_portable_ones(stems: list[str], role: str | None) -> None:
    """Whatever stems are called: no two names are equal, and each fits everywhere."""
    found = names_of(*stems, role=role)
    assert len(set(found)) == len(stems)
    assert all(PORTABLE.fullmatch(name) and len(name) <= 64 for name in found)


def test_letters_keep_their_base() -> None:
    """Accents are taken off (Unicode's decompositions); letters that have none are written out."""
    assert portable("Größe Ødegård Œuvre łódź") == "grosse_odegard_oeuvre_lodz"
    assert portable("琵琶") == ""


def test_a_recorders_number_goes_and_the_side_stays() -> None:
    """The new number replaces one before the name; a number behind it is part of it."""
    assert names_of("03 - Oud.wav", "Kick In 2.wav", "Harmonium_L.wav", "12.wav") == [
        "01_oud.wav",
        "02_kick_in_2.wav",
        "03_harmonium_l.wav",
        "04_12.wav",
    ]


def test_numbers_have_one_width() -> None:
    """From a hundred stems on, three figures, so that a list by name is in order."""
    found = names_of(*(f"part {number}.wav" for number in range(100)))
    assert (found[0], found[99]) == ("001_part_0.wav", "100_part_99.wav")
    assert found == sorted(found)


def test_a_name_that_says_nothing_takes_its_role() -> None:
    """Track names of a recorder are no part; the role is."""
    assert names_of("Audio 1.wav", role="hand drum") == ["01_hand_drum.wav"]


def test_equal_names_have_their_folders() -> None:
    """Two takes of one name in two folders are told apart by these."""
    assert names_of("verse/voice.wav", "bridge/voice.wav") == ["01_verse_voice.wav", "02_bridge_voice.wav"]


def test_order_is_that_of_roles_then_of_numbers() -> None:
    """The rank of a role first, then names with 2 before 10."""
    stems = [Named("b10.wav", None, 9), Named("b2.wav", None, 9), Named("z.wav", "drum", 0)]
    assert in_order(stems) == [2, 1, 0]
