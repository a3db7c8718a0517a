"""`stager check` on sets that have one thing the matter, and on near misses: what whoever gets the stems would meet."""

import json
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pytest

from tests.support import handover_sets
from tests.support.handover_sets import CASES, FACTS, PARTS, Case
from tests.support.song import Song, SongMaker
from tests.support.wavefile import PCM_16

pytestmark = pytest.mark.long

SEVERITY: Final = ("usable", "listen", "play_again")
MOST_LINES: Final = 10
HANDOVER_CODES: Final = frozenset(code for case in CASES for code in case.codes)
BY_NAME: Final = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


def checked(song: Song) -> dict[str, Any]:
    """Check a project and give the document."""
    return song.stager("check", song.folder, "--json").json()


def allowing(codes: tuple[str, ...]) -> str:
    """Return a project table in which these codes are deliberate."""
    return f'[project]\nname = "Salt Road"\nallow = {json.dumps(list(codes))}\n'


@BY_NAME
def test_what_is_the_matter_is_found(case: Case, make_song: SongMaker) -> None:
    """The finding names the very stems that it is about, says it in a sentence, and weighs as the contract says."""
    found = handover_sets.told(checked(case.song(make_song)), case)
    assert {name for finding in found for name in finding["stems"]} == case.about
    assert [f["verdict"] for f in found] == ["usable" if f["code"] in FACTS else "listen" for f in found]
    assert all(finding["says"].strip().endswith((".", "?", "!")) for finding in found)


@BY_NAME
def test_the_near_miss_is_not_accused(case: Case, make_song: SongMaker) -> None:
    """The same five parts without it are not said to have it."""
    assert handover_sets.told(checked(case.near_song(make_song)), case) == []


@BY_NAME
def test_what_is_deliberate_is_no_fault(case: Case, make_song: SongMaker) -> None:
    """With its code in the project's `allow` it is usable at most, and `--fail-on` lets it pass."""
    song = case.song(make_song, allowing(case.codes))
    assert {finding["verdict"] for finding in handover_sets.told(checked(song), case)} <= {"usable"}
    only = [finding for finding in checked(song)["findings"] if finding["verdict"] != "usable"]
    if not only:
        assert song.stager("check", song.folder, "--fail-on", "listen").code == 0


def test_a_sound_set_has_nothing_to_hand_over(make_song: SongMaker) -> None:
    """Five parts of one rate, depth, length and start, with peaks and names of their own: no line at all."""
    song = handover_sets.made(make_song, handover_sets.parts())
    assert [f for f in checked(song)["findings"] if f["code"] in HANDOVER_CODES] == []


def _all_at_once(make_song: SongMaker) -> Song:
    """Make a set with nearly everything the matter."""
    stems = list(handover_sets.parts(start_s=3600.0, peak_dbfs=-1.0))
    stems[0] = replace(stems[0], rate_hz=44_100, name="Audio_01.wav")
    stems[1] = replace(stems[1], kind=PCM_16, name="reed organ é.wav")
    stems[2] = replace(stems[2], seconds=2.0, start_s=3601.0)
    stems[3] = replace(stems[3], grid_bits=16, name="low:voice.wav")
    more = [replace(stems[4], name=f"salt_harp_{n}.wav", seed=60 + n, seconds=2.1 + n / 10) for n in range(8)]
    song = handover_sets.made(make_song, (*stems, *more))
    song.put("quiet_bell.wav", np.zeros(96_000))
    song.put("one_side.wav", np.column_stack((handover_sets.parts()[0].samples()[:, 0], np.zeros(144_000))))
    return song


def test_at_most_ten_lines_worst_first(make_song: SongMaker) -> None:
    """However much is the matter, a page of it is not read: ten lines of handover at most, the worst of all first."""
    findings = checked(_all_at_once(make_song))["findings"]
    weights = [SEVERITY.index(finding["verdict"]) for finding in findings]
    assert weights == sorted(weights, reverse=True)
    lines = [finding for finding in findings if finding["code"] in HANDOVER_CODES]
    assert 5 <= len(lines) <= MOST_LINES


def test_every_handover_code_has_a_case() -> None:
    """The cases name all the codes that the contract lists for a set's files, and each near miss has five parts too."""
    assert {
        *("rate_differs", "depth_differs", "start_differs", "length_differs"),
        *("padded_bits", "same_peak_everywhere", "name_unclear", "link_incomplete"),
    } == HANDOVER_CODES
    assert {(len(case.stems), len(case.near)) for case in CASES} == {(len(PARTS), len(PARTS))}


def test_the_fixtures_are_what_they_say() -> None:
    """By arithmetic: one peak on all that were normalised, flat tops on all that were limited, half on the rest."""
    normalised = next(case for case in CASES if case.codes == ("same_peak_everywhere",) and not case.word)
    assert {round(float(np.abs(stem.samples()).max()), 6) for stem in normalised.stems} == {round(10 ** (-1 / 20), 6)}
    limited = next(case for case in CASES if case.word == "limiter")
    for stem in (*limited.stems, *limited.near):
        samples = np.abs(stem.samples())
        assert (samples == samples.max()).sum() > 50
    halved = next(case for case in CASES if case.word == "pan law")
    assert {float(np.abs(stem.samples()).max()) for stem in halved.stems} == {0.5}
