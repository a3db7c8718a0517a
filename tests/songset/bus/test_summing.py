"""The sum itself, for any stretches, and channels' energies."""

from pathlib import Path

import numpy as np
import pytest

from stager.errors import Stopped
from stager.songset.bus.channel import part_of
from stager.songset.bus.inputs import MixInputs, summed
from stager.songset.bus.summing import mixing
from stager.system.cancel import allow_work, request_stop
from tests.support import wavefile
from tests.support.direct_sum import Array, Stem, direct_sum, gains, write_stems

pytestmark = pytest.mark.long

LAW = 10 ** (-3 / 20)


def mixed(stems: list[Stem], step: int, before: int = 0, behind: int = 0) -> tuple[Array, Array]:
    """The bus with so many frames more on each side, and the energies."""

    def work(inputs: MixInputs) -> tuple[Array, Array]:
        with mixing(inputs, LAW) as mixer:
            stretches = [sums.bus(LAW) for sums in mixer.sums(-before, inputs.frames + behind, step)]
            return np.concatenate(stretches), mixer.energies

    return summed([part_of(s.path, s.path.name, gain_db=s.gain_db, pan=s.pan) for s in stems], work)


@pytest.mark.parametrize("step", [1 << 17, 10_007, 100_000])
def test_any_stretches_give_the_direct_sum(tmp_path: Path, step: int) -> None:
    """To the rounding of float64, for stems that start and end inside a stretch."""
    stems = write_stems(tmp_path, 7, seed=step)
    bus, _ = mixed(stems, step)
    assert np.allclose(bus, direct_sum(stems), rtol=0.0, atol=1e-12)


def test_beyond_both_ends(tmp_path: Path) -> None:
    """Nothing sounds there."""
    stems = write_stems(tmp_path, 3)
    bus, _ = mixed(stems, 50_000, 70_000, 30_000)
    assert np.allclose(bus[70_000:-30_000], direct_sum(stems), atol=1e-12)
    assert not bus[:70_000].any()
    assert not bus[-30_000:].any()


def test_energy_of_each_strip(tmp_path: Path) -> None:
    """Sums of squares on both sides, placed, by numpy."""
    stems = write_stems(tmp_path, 9, seed=5)
    _, energies = mixed(stems, 1 << 17)
    for stem, energy in zip(stems, energies, strict=True):
        samples = stem.samples()
        placed = samples @ gains(samples.shape[1], stem.pan, LAW) * 10 ** (stem.gain_db / 20)
        assert energy == pytest.approx(float((placed**2).sum()), rel=1e-9)


def test_stereo_stems_alone_need_one_sum(tmp_path: Path) -> None:
    """Only a mono stem depends on the pan law."""
    stereo = wavefile.write(tmp_path / "a.wav", np.ones((10, 2)) / 2)
    mono = wavefile.write(tmp_path / "b.wav", np.ones((10, 1)) / 2)

    def has_centre(inputs: MixInputs) -> bool:
        with mixing(inputs, LAW) as mixer:
            return mixer.has_centre

    assert not summed([part_of(stereo, "a", pan=0.3)], has_centre)
    assert summed([part_of(stereo, "a"), part_of(mono, "b")], has_centre)
    assert not summed([part_of(mono, "b", pan=-1.0)], has_centre)


def test_a_stop_ends_the_sum(tmp_path: Path) -> None:
    """Told to stop, the sum ends at its next block, and its files are let go."""
    stems = write_stems(tmp_path, 3)
    request_stop()
    try:
        with pytest.raises(Stopped):
            mixed(stems, 10_000)
    finally:
        allow_work()
