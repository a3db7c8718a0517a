"""What takes of one part say together."""

import pytest

from stager.judge.take_comparison import compare_takes, part_of
from stager.model import Verdict
from stager.model.limits import TakeLimits
from stager.model.takes import TakeLevels


def take(stem: str, average: float | None, noise: float | None) -> TakeLevels:
    return TakeLevels(
        stem=stem,
        at="2026-11-25T20:00:00+00:00",
        average_dbfs=average,
        sample_peak_dbfs=-10.0,
        noise_floor_dbfs=noise,
        verdict=Verdict.USABLE,
    )


def voice(*figures: tuple[float | None, float | None]) -> list[TakeLevels]:
    return [take(f"voice take {number}.wav", *each) for number, each in enumerate(figures, 1)]


EARLIER = ((-24.0, -70.0), (-24.5, -69.5), (-23.5, -70.5))


@pytest.mark.parametrize(
    ("stem", "part"),
    [
        ("Voice take 3.wav", "voice"),
        ("voice_04.wav", "voice"),
        ("voice-T2.wav", "voice"),
        ("Voice Lead (take 12).wav", "voice lead"),
        ("lute 12-string 3.wav", "lute 12-string"),
        ("voice.wav", "voice"),
        ("flute.wav", "flute"),
        ("cat.wav", "cat"),
        ("song/voice#01.wav", "song/voice"),
        ("song/Take 1.wav", "song"),
        ("take 1.wav", ""),
        ("20261124-2010.wav", ""),
    ],
)
def test_the_part_of_a_name(stem: str, part: str) -> None:
    """Numbers and words for a take at the end of a name don't tell the part; folders do."""
    assert part_of(stem) == part


def test_the_input_was_turned() -> None:
    """Four dB above, and so is the noise: a gain acts on both alike."""
    found = compare_takes(voice(*EARLIER, (-20.0, -66.0)))
    assert found is not None
    assert found.says == "Take 4 is 4 dB above takes 1 to 3 and so is its noise: the input was turned."
    assert found.changed == "input"
    assert found.earlier == ("voice take 1.wav", "voice take 2.wav", "voice take 3.wav")
    assert found.level_change_db == pytest.approx(4.0)
    assert found.noise_change_db == pytest.approx(4.0)


def test_it_was_played_louder() -> None:
    """Four dB above with the noise where it was: the playing changed."""
    found = compare_takes(voice(*EARLIER, (-20.0, -70.3)))
    assert found is not None
    assert (found.changed, found.says) == (
        "playing",
        "Take 4 is 4 dB above takes 1 to 3 and its noise has not moved: it was played louder.",
    )


def test_it_was_played_softer() -> None:
    """The same downwards, against a single take."""
    found = compare_takes(voice((-20.0, -60.0), (-26.0, -60.0)))
    assert found is not None
    assert found.says == "Take 2 is 6 dB below take 1 and its noise has not moved: it was played softer."


def test_the_noise_alone_rose() -> None:
    """As loud as before over more noise: something in the room."""
    found = compare_takes(voice(*EARLIER, (-24.0, -64.0)))
    assert found is not None
    assert found.says == "Take 4 is as loud as takes 1 to 3 with 6 dB more noise: listen to what changed in the room."


@pytest.mark.parametrize(
    ("average", "noise", "changed"),
    [
        (-22.1, -68.1, None),
        (-21.9, -67.9, "input"),
        (-20.0, -67.6, None),
        (-20.0, -67.4, "input"),
        (-20.0, -68.6, "playing"),
        (-20.0, -68.4, None),
        (-24.0, -68.1, None),
        (-24.0, -67.9, "noise"),
    ],
)
def test_just_past_and_just_short(average: float, noise: float, changed: str | None) -> None:
    """Two dB are worth a word, and noise within 1.5 dB counts as the same; what fits nothing is left unsaid."""
    found = compare_takes(voice((-24.0, -70.0), (average, noise)))
    assert (found.changed if found else None) == changed


def test_only_the_latest_takes_of_one_gain_are_compared() -> None:
    """After the input was turned once, a third take is held against the second alone."""
    found = compare_takes(voice((-30.0, -76.0), (-24.0, -70.0), (-20.0, -66.0)))
    assert found is not None
    assert found.earlier == ("voice take 2.wav",)


def test_other_parts_are_passed_over() -> None:
    """Takes of other parts in between change nothing."""
    takes = [*voice(*EARLIER), take("drum 1.wav", -5.0, -40.0), take("voice take 4.wav", -20.0, -66.0)]
    found = compare_takes(takes)
    assert found is not None
    assert found.says.startswith("Take 4 is 4 dB above takes 1 to 3")
    assert compare_takes([*takes, take("drum 2.wav", -5.0, -40.0)]) is None


def test_takes_are_called_by_their_own_numbers() -> None:
    """A number in the name is the take's; where names have none, their order counts."""
    found = compare_takes([take("voice 7.wav", -24.0, -70.0), take("voice 9.wav", -20.0, -66.0)])
    assert found is not None
    assert found.says.startswith("Take 9 is 4 dB above take 7")
    found = compare_takes([take("voice.wav", -24.0, -70.0), take("voice 9.wav", -20.0, -66.0)])
    assert found is not None
    assert found.says.startswith("Take 2 is 4 dB above take 1")


@pytest.mark.parametrize(
    "takes",
    [
        [],
        voice((-20.0, -70.0)),
        voice((-24.0, -70.0), (None, None)),
        voice((-24.0, None), (-20.0, -66.0)),
        voice((-24.0, -70.0), (-20.0, None)),
        [take("take 1.wav", -24.0, -70.0), take("take 2.wav", -20.0, -66.0)],
    ],
    ids=["none", "one", "silent", "no noise before", "no noise now", "no part in the name"],
)
def test_nothing_to_compare(takes: list[TakeLevels]) -> None:
    """Without two takes of a named part whose noise is known, nothing is said."""
    assert compare_takes(takes) is None


def test_limits_can_be_set() -> None:
    """A threshold that was set counts."""
    assert compare_takes(voice(*EARLIER, (-20.0, -66.0)), TakeLimits(take_level_change_db=5.0)) is None
