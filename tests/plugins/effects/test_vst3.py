"""How effects are hosted, on effects that pedalboard brings along: layout, latency, length, names of parameters."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pedalboard
import pytest
from scipy import signal

from stager.plugins import Samples, Stream
from stager.plugins.effects.settings import HostSettings
from stager.plugins.effects.vst3 import GATHERED_FRAMES, EffectStream, Host, set_parameters
from tests.plugins.driving import AWKWARD, sizes_cut
from tests.support.signals import sine_block, white_noise

FLOAT32 = 2.0**-23


def hosted(effect: Any, parts: list[Samples], rate_hz: int = 48_000) -> Samples:
    stream = EffectStream(effect, Stream(rate_hz, parts[0].shape[1], sum(map(len, parts))))
    return np.concatenate([*(stream.process(part) for part in parts), stream.finish()])


@pytest.mark.parametrize("frames", [1, 2, 100, GATHERED_FRAMES - 1, GATHERED_FRAMES, GATHERED_FRAMES + 1, 30_011])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_gain_keeps_length_and_layout(frames: int, channels: int) -> None:
    """Also with as many frames as channels, each channel comes out as itself, to the steps of 32-bit float."""
    block = white_noise(frames, channels, seed=14)
    found = hosted(pedalboard.Gain(gain_db=-6.0), [block])
    assert found.shape == block.shape
    assert np.abs(found - block * 10 ** (-6 / 20)).max() < FLOAT32


@pytest.mark.parametrize("frames", AWKWARD)
def test_any_cut_of_the_blocks_gives_the_same(frames: int) -> None:
    """Blocks of 1, 2 or a prime of frames equal the whole file to the bit, since they are gathered."""
    block = white_noise(9_001, 2, seed=15)
    whole = hosted(pedalboard.HighpassFilter(100.0), [block])
    assert np.array_equal(hosted(pedalboard.HighpassFilter(100.0), sizes_cut(block, frames)), whole)


def test_a_filter_is_the_filter_that_scipy_makes() -> None:
    """Its first-order high-pass agrees with scipy's within what 32-bit float leaves: state survives the blocks."""
    block = white_noise(40_000, 2, seed=16)
    b, a = signal.butter(1, 1_000.0, "highpass", fs=48_000)
    found = hosted(pedalboard.HighpassFilter(1_000.0), sizes_cut(block, 5_000))
    assert np.abs(found - signal.lfilter(b, a, block, axis=0)).max() < 1e-5


@pytest.mark.parametrize("frames", [100, 5_000, 30_011])
def test_latency_is_made_up_for(frames: int) -> None:
    """A limiter that looks 5 ms ahead, left idle, gives the input back: same length, same place."""
    block = sine_block(997.0, 1.0, peak=0.25)[:frames]
    found = hosted(pedalboard.BrickwallLimiter(ceiling_db=-1.0), sizes_cut(block, 1_000))
    assert found.shape == block.shape
    assert np.abs(found - block).max() < 1e-6


def test_an_effect_is_forgotten_between_stems() -> None:
    """The second stem through the same effect is not stained by the first."""
    effect, block = pedalboard.HighpassFilter(100.0), white_noise(9_000, 1, seed=17)
    first = hosted(effect, [block])
    assert np.array_equal(hosted(effect, [block]), first)


def test_an_effect_that_keeps_its_samples_is_refused() -> None:
    """One that never gives back as many frames as went in is no effect for a stem."""
    nothing = np.zeros((1, 0), np.float32)
    silent = SimpleNamespace(reset=lambda: None, process=lambda *_, **__: nothing)
    with pytest.raises(ValueError, match="expected as many frames as went in, found 10 fewer"):
        hosted(silent, [white_noise(10, 1)])


def test_a_misspelt_parameter_is_refused() -> None:
    """The library would take it without a word."""
    effect = SimpleNamespace(parameters={"mix": None}, mix=0.0)
    with pytest.raises(ValueError, match=r"expected one of its parameters \(mix\), found 'mixx'"):
        set_parameters(effect, {"mixx": 0.5})
    set_parameters(effect, {"mix": 0.5})
    assert effect.mix == 0.5


def test_a_file_that_is_no_effect_is_refused(tmp_path: Any) -> None:
    """Text in place of an effect is a sentence, not a crash."""
    file = tmp_path / "none.vst3"
    file.write_text("not an effect")
    with pytest.raises(ValueError, match="expected a VST3 effect, found"):
        Host(HostSettings(file=str(file)), Stream(48_000, 1, 10))
