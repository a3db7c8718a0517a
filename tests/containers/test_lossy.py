"""Lossy codecs: lengths, places and rates as measured, and none where the library has none."""

import numpy as np
import pytest

from stager.containers.lossy import CODECS, LossyCodec, coded_bytes, decoded
from tests.support.finished_mix import RATE, clean


@pytest.mark.parametrize("codec", CODECS, ids=lambda codec: codec.name)
def test_it_comes_back_in_length_and_time(codec: LossyCodec) -> None:
    """The decoded signal has the same number of frames and its best correlation at no lag."""
    samples = clean()[3 * RATE : 7 * RATE + 123]
    back = np.concatenate(list(decoded(coded_bytes(codec, iter([samples]), RATE, 2))))
    assert back.shape == samples.shape
    lags = range(-20, 21)
    match = [float((np.roll(back[:, 0], -lag) * samples[:, 0]).sum()) for lag in lags]
    assert lags[int(np.argmax(match))] == 0


def test_constant_rates_are_as_named() -> None:
    """A codec of constant rate makes what its name says, within 3 % (container included)."""
    samples = clean()[2 * RATE : 12 * RATE]
    for codec in CODECS:
        if codec.is_constant_rate:
            named = float(codec.name.split()[1])
            found = coded_bytes(codec, iter([samples]), RATE, 2).getbuffer().nbytes * 8e-3 / 10.0
            assert found == pytest.approx(named, rel=0.03)


def test_what_is_not_there_is_said() -> None:
    """A codec that the library does not know is not available."""
    assert not LossyCodec("Odd", "NONE", "NONE", 0.5, (48_000,)).is_available
    assert all(codec.is_available for codec in CODECS)
