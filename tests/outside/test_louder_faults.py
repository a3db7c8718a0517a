"""A louder fault never gets a better verdict: hum and noise grow from far under a part to far over it."""

import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.prove.hum import FRAMES, PAUSING, RATE_HZ, SUSTAINED, hum_wave, part_of
from tests.prove.takes_sounds import Array
from tests.support import wavefile
from tests.support.command import Command

pytestmark = pytest.mark.long

UNDER_DB: Final = (55.0, 45.0, 35.0, 30.0, 25.0, 20.0, 15.0, 10.0, 5.0, 0.0, -6.0, -12.0)
"""How far under the part the fault lies; at the end it is over it."""
VERDICTS: Final = ("usable", "listen", "play_again")
ROOM: Final = 0.1
"""All is scaled by it, so that a fault over the part does not clip."""


def fault_of(kind: str, rng: np.random.Generator) -> Array:
    """Return a fault as loud as the parts are: hum of 50 or 60 Hz, white noise, or darker noise as of a room."""
    if kind in ("50", "60"):
        return hum_wave(rng, float(kind), 0.0)
    white = rng.standard_normal(FRAMES + 1)
    made = white[1:] + (0.8 if kind == "room" else 0.0) * white[:-1]
    return np.asarray(0.1 * made / made.std())


@settings(
    max_examples=16,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
    report_multiple_bugs=False,
)
@given(
    name=st.sampled_from((*SUSTAINED, *PAUSING)),
    kind=st.sampled_from(("50", "60", "white", "room")),
    seed=st.integers(0, 999),
)
def test_a_louder_fault_never_gets_a_better_verdict(name: str, kind: str, seed: int) -> None:
    """The verdict only gets worse as hum or noise grows under one and the same part; at its loudest it is told."""
    rng = np.random.default_rng((77_201, seed))
    part, fault = part_of(rng, name), fault_of(kind, rng)
    with tempfile.TemporaryDirectory() as folder:
        paths = [
            wavefile.write(
                Path(folder) / f"{number:02}.wav",
                ROOM * (part + 10.0 ** (-under_db / 20.0) * fault)[:, None],
                RATE_HZ,
                wavefile.PCM_24,
            )
            for number, under_db in enumerate(UNDER_DB)
        ]
        stems = Command()("measure", *paths, "--json").json()["stems"]
    found = [VERDICTS.index(stem["verdict"]) for stem in stems]
    better = [UNDER_DB[n + 1] for n, (before, after) in enumerate(pairwise(found)) if after < before]
    assert not better, f"{kind} under {name}: better at {better} dB under the part: {found}"
    assert found[-1] > VERDICTS.index("usable"), f"{kind} under {name} is never told"
