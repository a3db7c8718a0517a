"""All meters of condition together."""

import numpy as np
import pytest

from stager.analysis.condition import ConditionMeter
from stager.meters import AverageMeter
from tests.support.signals import cut, white_noise

RATE = 48_000


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_every_part_is_there(channels: int) -> None:
    """An offset for each channel, an event, and the microphones of exactly two channels."""
    samples = white_noise(6 * RATE, channels) + 0.01
    meter, average = ConditionMeter(channels, RATE), AverageMeter(channels, RATE)
    for block in cut(samples, [1, 5000, 100_000]):
        meter.update(block)
        average.update(block)
    found = meter.result(average.result())
    assert [offset and round(offset.median_linear, 3) for offset in found.offsets] == [0.01] * channels
    assert found.loudest_event is not None
    assert found.loudest_event.peak_dbfs == pytest.approx(20 * np.log10(np.abs(samples).max()), abs=1e-9)
    assert (found.microphones is not None) is (channels == 2)
    assert found.pause is None


def test_silence() -> None:
    """Of silence there is nothing to say, and nothing breaks."""
    meter, average = ConditionMeter(2, RATE), AverageMeter(2, RATE)
    for fed in (meter, average):
        fed.update(np.zeros((RATE, 2)))
    found = meter.result(average.result())
    assert (found.pause, found.offsets, found.loudest_event) == (None, (None, None), None)
    assert found.microphones is not None
    assert found.microphones.identical
