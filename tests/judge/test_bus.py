"""Judgement of the sum: offsets, places, room, sentences, by worked figures."""

from typing import Any

import pytest

from stager.judge.bus import (
    Span,
    balance_sentence,
    bus_sentences,
    common_rate,
    is_restored,
    room_for,
    rough_match,
    rounding_power,
    starts_of,
    uniform_offset_db,
)
from stager.model.bus import BusForecast, Contribution, LeftOut, RoughMatch

RATE = 48_000


def bus(**changes: Any) -> BusForecast:
    """A sum of sixteen stems that peaks at -2.2 dBTP, but for the changes."""
    plain: dict[str, Any] = {
        "parts": 16,
        "sample_rate_hz": RATE,
        "duration_s": 200.0,
        "sample_peak_dbfs": -2.4,
        "true_peak_dbtp": -2.2,
        "loudness_lufs": -14.04,
        "at_s": 73.204,
        "side": "left",
        "loudest": (
            Contribution(stem="kick.wav", share=0.42, level_dbfs=-9.7),
            Contribution(stem="bass.wav", share=0.2, level_dbfs=-16.2),
            Contribution(stem="choir.wav", share=0.11, level_dbfs=-21.4),
        ),
        "pan_law_db": -3.0,
        "ceiling_dbtp": -6.0,
        "step_db": 0.1,
        "room_db": -3.8,
        "uniform_offset_db": -3.8,
        "bus_power": 0.16,
        "mean_part_power": 0.01,
    }
    return BusForecast(**{**plain, **changes})


@pytest.mark.parametrize(
    ("peak", "ceiling", "step", "offset"),
    [
        (-2.2, -6.0, 0.1, -3.8),
        (-2.21, -6.0, 0.1, -3.8),
        (-2.19, -6.0, 0.1, -3.9),
        (-6.0, -6.0, 0.1, 0.0),
        (-9.26, -6.0, 0.1, 3.2),
        (-9.26, -6.0, 0.5, 3.0),
        (3.1, -1.0, 1.0, -5.0),
        (None, -6.0, 0.1, None),
    ],
)
def test_the_one_offset(peak: float | None, ceiling: float, step: float, offset: float | None) -> None:
    """Ceiling less peak in whole steps, always downwards, so that the bus is never over it (arithmetic)."""
    found = uniform_offset_db(peak, ceiling, step)
    assert found == offset
    assert found is None or peak is None or peak + found <= ceiling + 1e-6


def test_room_for_as_many_again() -> None:
    """Sixteen independent equal parts and sixteen more: 3.01 dB; and twelve more: 10 log 28/16 = 2.43 dB."""
    sixteen, twelve, none = (room_for(bus(), more) for more in (16, 12, 0))
    assert sixteen is not None
    assert (sixteen.rise_db, sixteen.true_peak_dbtp) == (pytest.approx(3.0103), pytest.approx(0.8103, abs=1e-4))
    assert twelve is not None
    assert twelve.rise_db == pytest.approx(2.4304, abs=1e-4)
    assert twelve.says == (
        "With 12 more like the present ones the sum rises by about 2.4 dB to 0.2 dBTP: the ceiling is passed by 6.2 dB "
        "(ceiling -6 dBTP)."
    )
    assert none is not None
    assert none.rise_db == 0.0


def test_room_in_a_sum_of_copies() -> None:
    """Where the present parts are one and the same, their sum is louder, and new ones add less to it."""
    same = room_for(bus(bus_power=16 * 16 * 0.01), 16)
    assert same is not None
    assert same.rise_db == pytest.approx(0.2633, abs=1e-4)


def test_room_where_there_is_some() -> None:
    """The words change with the sign."""
    room = room_for(bus(true_peak_dbtp=-20.0), 16)
    assert room is not None
    assert room.says.endswith("to -17.0 dBTP: 11.0 dB of room are left (ceiling -6 dBTP).")


def test_no_room_in_silence() -> None:
    """A silent sum says nothing of its parts' mean."""
    assert room_for(bus(true_peak_dbtp=None), 4) is None


@pytest.mark.parametrize(
    ("rates", "rate"), [([], None), ([44_100], 44_100), ([44_100, 48_000, 48_000], 48_000), ([96_000, 48_000], 96_000)]
)
def test_the_common_rate(rates: list[int], rate: int | None) -> None:
    """What most have; of equals the first."""
    assert common_rate(rates) == rate


def test_starts() -> None:
    """The earliest stamp becomes 0, those without start there, an offset of 599 s is believed and one of 601 s not."""
    spans = [Span(1000, 10), Span(None, 10), Span(400, 10), Span(410 + 601 * RATE, 10), Span(1010 + 599 * RATE, 10)]
    found = starts_of([*spans[:3], spans[4]], RATE)
    assert found.first_frames == (600, 0, 0, 610 + 599 * RATE)
    assert (found.zero_stamp, found.without_stamp, found.doubted) == (400, (1,), ())
    found = starts_of([spans[0], spans[2], Span(1010 + 600 * RATE + 1, 10)], RATE)
    assert (found.first_frames, found.doubted) == ((600, 0, 0), (2,))


def test_the_larger_group_is_believed() -> None:
    """An early stray does not move the others, and of two equal groups the earlier one is believed."""
    hour = 3600 * RATE
    late = starts_of([Span(0, RATE), Span(hour, RATE), Span(hour + 5, RATE)], RATE)
    assert (late.first_frames, late.doubted, late.zero_stamp) == ((0, 0, 5), (0,), hour)
    even = starts_of([Span(hour, RATE), Span(7, RATE)], RATE)
    assert (even.doubted, even.zero_stamp) == ((0,), 7)


def test_a_long_part_bridges_a_gap() -> None:
    """Two short parts far apart hang together where a third plays on between them."""
    assert starts_of([Span(0, 10), Span(0, 2000 * RATE), Span(1900 * RATE, 10)], RATE).doubted == ()


def test_starts_without_any_stamp() -> None:
    """All start together."""
    found = starts_of([Span(None, 5), Span(None, 6)], RATE)
    assert (found.first_frames, found.zero_stamp, found.without_stamp) == ((0, 0), None, (0, 1))


@pytest.mark.parametrize(("bits", "dithered", "lsb2"), [(24, True, 0.25), (16, True, 0.25), (24, False, 1 / 12)])
def test_power_of_rounding(bits: int, lsb2: float, *, dithered: bool) -> None:
    """A quarter of a squared step with triangular dither, a twelfth without (Wannamaker et al., 2000)."""
    assert rounding_power(bits, dithered=dithered) == pytest.approx(lsb2 * (2.0 ** (1 - bits)) ** 2)


@pytest.mark.parametrize(
    ("residual", "expected", "restored"),
    [
        (None, None, True),
        (-121.0, None, True),
        (-119.0, None, False),
        (-99.5, -100.0, True),
        (-98.9, -100.0, False),
        (-125.0, -140.0, True),
    ],
)
def test_restored(residual: float | None, expected: float | None, *, restored: bool) -> None:
    """Up to 1 dB over what dither gives, or under -120 dBFS."""
    assert is_restored(residual, expected) is restored


def test_sentences_of_a_sum() -> None:
    """What a person reads: peak and place, who makes it, the offset as a figure, another law."""
    assert bus_sentences(bus()) == (
        (
            "The sum of 16 stems at unity faders peaks at -2.2 dBTP, at 73.20 s on the left, loudness -14.0 LUFS "
            "(centred mono stems at -3 dB)."
        ),
        "The three loudest at that moment: kick.wav, bass.wav, choir.wav.",
        "Lower every stem by 3.8 dB and the mix peaks at -6 dBTP. This concerns the sum alone.",
    )


def test_sentences_of_a_quiet_sum() -> None:
    """Room is said in the other direction."""
    said = bus_sentences(bus(uniform_offset_db=2.5, loudness_lufs=None, parts=1, loudest=()))
    assert said == (
        "The sum of 1 stem at unity faders peaks at -2.2 dBTP, at 73.20 s on the left (centred mono stems at -3 dB).",
        "It keeps under -6 dBTP with 2.5 dB to spare.",
    )


def test_sentences_of_what_is_not_as_it_should_be() -> None:
    """Missing and doubted time stamps, and every file that is left out, with its reason."""
    out = LeftOut(
        name="b.wav", reason="rate_differs", says="b.wav: expected 48000 Hz as most stems have, found 96000 Hz"
    )
    said = bus_sentences(bus(without_stamp=("a", "c"), stamps_doubted=("d.wav",), left_out=(out,)))
    assert said[-3:] == (
        "2 of 16 stems have no time stamp: put at 0.",
        "d.wav: its time stamp lies far from the others', so it was put at 0.",
        "Not in the sum: b.wav: expected 48000 Hz as most stems have, found 96000 Hz",
    )
    assert bus_sentences(bus(without_stamp=("a",)))[-1] == "1 of 16 stems has no time stamp: put at 0."
    assert bus_sentences(bus(parts=1, without_stamp=("a",)))[-1] == "No stem has a time stamp: all start together."


def test_sentence_of_silence() -> None:
    """A silent sum has one sentence."""
    hush = bus(true_peak_dbtp=None, at_s=None, uniform_offset_db=None, loudest=())
    assert bus_sentences(hush) == ("The sum of 16 stems at unity faders is silent.",)


def test_sentences_of_a_balance() -> None:
    """Restored or not, with what is left and what dither gives."""
    assert balance_sentence(1, -141.06, -141.0, restored=True) == (
        "With each fader at minus its trim your rough balance comes back (what is left: -141 dBFS, dither)."
    )
    assert balance_sentence(3, -60.0, None, restored=False) == (
        "With each fader at minus its trim the sum of 3 copies is not that of the originals: "
        "the difference is -60 dBFS."
    )


def judged(left: list[float], whole: list[float], **changes: Any) -> RoughMatch:
    plain: dict[str, Any] = {"lag_s": 0.0, "gain_linear": 1.0, "similarity": 1.0, "window_s": 1.0, "duration_s": 9.5}
    return rough_match(left=left, whole=whole, **{**plain, **changes})


def test_places_of_a_rough_mix() -> None:
    """Windows over -40 dB of the mix's level are put together where they touch; the last ends with the mix."""
    whole = [1.0] * 8 + [0.0, 1.0]
    left = [0.0, 0.01, 0.03, 0.0, 0.00009, 0.0, 0.0, 0.0, 0.0, 0.5]
    found = judged(left, whole)
    assert [(place.start_s, place.end_s) for place in found.places] == [(1.0, 3.0), (9.0, 9.5)]
    assert found.places[0].residual_db == pytest.approx(-16.99, abs=0.01)
    assert found.residuals_db[:2] == (None, pytest.approx(-20.0))
    assert found.residual_db == pytest.approx(-12.22, abs=0.01)
    assert not found.adds_up


def test_a_quiet_ending_is_held_to_the_whole_mix() -> None:
    """What is left in a fade counts against the mix's level, not the fade's."""
    assert judged([0.0, 0.0, 1e-5], [1.0, 1.0, 1e-5]).adds_up


def test_nothing_alike() -> None:
    """Without similarity nothing adds up, whatever is left."""
    assert not judged([0.0], [1.0], similarity=0.4).adds_up
    assert not judged([0.0], [0.0]).adds_up
