"""Which pairs are compared, why, and how many at most."""

from dataclasses import replace

import numpy as np
import pytest

from stager.songset.pairs.candidates import ALIKE, MOST_STRETCHES, Candidate, candidates
from stager.songset.pairs.fingerprints import AudioFingerprint


def audio_fingerprint_of(seed: int, *, blend: float = 0.0) -> AudioFingerprint:
    """A fingerprint of chance; with `blend` it follows the one of seed 0 as far."""
    own, first = (np.random.default_rng(s).normal(size=(1500, 5)) for s in (seed, 0))
    steps = 150 + 25 * (blend * first + np.sqrt(1 - blend**2) * own)
    return AudioFingerprint(np.clip(steps, 0, 255).astype(np.uint8), 30.0, 1)


def chosen(fingerprints: list[AudioFingerprint], names: list[str], roles: list[str | None]) -> list[Candidate]:
    found, left_out = candidates(fingerprints, names, roles)
    assert left_out == 0
    return found


def test_a_copy_under_another_name_is_a_candidate() -> None:
    """What sounds alike is compared, whatever it is called; what doesn't isn't."""
    fingerprints = [audio_fingerprint_of(0), audio_fingerprint_of(1), audio_fingerprint_of(2, blend=0.95)]
    (found,) = chosen(fingerprints, ["ember", "quarry", "heron"], [None] * 3)
    assert (found.one, found.other, found.by_name, found.is_double) == (0, 2, False, False)
    assert found.likeness > 0.8


def test_a_shifted_copy_is_a_candidate() -> None:
    """A fingerprint moved by ten seconds is found as well."""
    first = audio_fingerprint_of(0)
    moved = AudioFingerprint(np.concatenate([audio_fingerprint_of(5).steps[:500], first.steps]), 40.0, 1)
    (found,) = chosen([first, moved], ["ember", "quarry"], [None, None])
    assert found.likeness > 0.7


@pytest.mark.parametrize(("names", "is_double"), [(("oud_1", "oud_2"), True), (("oud di", "oud amp"), False)])
def test_names_are_candidates_however_they_sound(names: tuple[str, str], is_double: bool) -> None:
    """A pair by name is compared though its fingerprints differ."""
    (found,) = chosen([audio_fingerprint_of(1), audio_fingerprint_of(2)], list(names), [None, None])
    assert found.by_name
    assert found.is_double is is_double


@pytest.mark.parametrize(("roles", "count"), [(["choir", "choir"], 1), (["choir", "drum"], 0), ([None, None], 0)])
def test_a_role_is_a_reason_where_the_sound_is_a_little_alike(roles: list[str | None], count: int) -> None:
    """Half alike, stems of one role are compared, others are not."""
    found = chosen([audio_fingerprint_of(0), audio_fingerprint_of(3, blend=0.45)], ["ember", "quarry"], roles)
    assert len(found) == count


def test_each_other_s_likeliest_partner_is_a_candidate() -> None:
    """A copy whose fingerprint has little in common with its source is still nearer to it than anything else is."""
    first, far = audio_fingerprint_of(0), audio_fingerprint_of(3, blend=0.55)
    (found,) = chosen(
        [first, audio_fingerprint_of(1), far, audio_fingerprint_of(2)],
        ["ember", "quarry", "heron", "juniper"],
        [None] * 4,
    )
    assert (found.one, found.other) == (0, 2)
    assert found.likeness < ALIKE


def test_a_role_alone_is_no_reason() -> None:
    """Two parts of one role that share nothing are not compared."""
    assert chosen([audio_fingerprint_of(1), audio_fingerprint_of(2)], ["ember", "quarry"], ["choir", "choir"]) == []


def test_the_surest_come_first_and_the_rest_is_counted() -> None:
    """Of n stems that all sound alike, n (n - 1) / 2 pairs, as many stay as may be compared, names first."""
    letters = ["".join(pair) for pair in zip("abcdefghijkl", "mnopqrstuvwx", strict=True)]
    names = [*letters, "oud_1", "oud_2"]
    fingerprints = [audio_fingerprint_of(seed, blend=0.9) for seed in range(1, len(names) + 1)]
    found, left_out = candidates(fingerprints, names, [None] * len(names))
    stretches = 10  # 30 s at 3 s each
    assert len(found) == MOST_STRETCHES // stretches
    assert left_out == len(names) * (len(names) - 1) // 2 - len(found)
    assert found[0].by_name


@pytest.mark.parametrize(("seconds", "stretches"), [(240.0, 12), (30.0, 10), (1.0, 1)])
def test_short_stems_cost_less(seconds: float, stretches: int) -> None:
    """What a pair costs is how many stretches of three seconds it has, twelve at most: more short pairs fit in."""
    fingerprints = [replace(audio_fingerprint_of(seed, blend=0.9), duration_s=seconds) for seed in range(1, 32)]
    found, left_out = candidates(fingerprints, [chr(1000 + k) * 2 for k in range(31)], [None] * 31)
    assert len(found) == min(31 * 30 // 2, MOST_STRETCHES // stretches)
    assert len(found) + left_out == 31 * 30 // 2


def test_a_crowd_leaves_room_for_everyone_else() -> None:
    """Forty stems alike fill no budget before a double by name and a copy under another name had their turn."""
    crowd = [audio_fingerprint_of(seed, blend=0.95) for seed in range(1, 41)]
    copied = audio_fingerprint_of(99)
    jitter = np.random.default_rng(7).integers(-30, 31, copied.steps.shape)
    copy = AudioFingerprint(np.clip(copied.steps + jitter, 0, 255).astype(np.uint8), 30.0, 1)
    fingerprints = [*crowd, audio_fingerprint_of(50), audio_fingerprint_of(51), copied, copy]
    names = [*(chr(1000 + k) * 2 for k in range(40)), "oud", "oud_double", "ember", "quarry"]
    found, left_out = candidates(fingerprints, names, [None] * len(names))
    pairs = {(each.one, each.other) for each in found}
    assert left_out > 0
    assert {(40, 41), (42, 43)} <= pairs


def test_no_stems_no_pairs() -> None:
    """An empty set has none."""
    assert candidates([], [], []) == ([], 0)
