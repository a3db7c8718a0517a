"""Steps at work, here and in workers: what comes out, and what becomes of those that misbehave."""

import os
import re
import time
from pathlib import Path

import numpy as np
import pytest

from stager.errors import StepFailed
from stager.model import PluginSource, PluginUse
from stager.plugins import Samples, Stream
from stager.plugins.chain import Work, stepped
from stager.plugins.isolation import Label, Limits, worker
from stager.plugins.opinions import check_findings, extra_figures, rule_wants
from tests.support.records import levels
from tests.support.signals import cut, white_noise

pytestmark = pytest.mark.long

WICKED = Path(__file__).parent.parent / "support" / "faulty_plugins.py"
CALM = Limits(answer_s=120.0, load_s=120.0, memory_bytes=512 << 20)
"""Time that only a process that hangs runs out of, however busy the machine is."""
SHORT = {"hang": Limits(answer_s=2.0, load_s=120.0), "hang_in_loading": Limits(answer_s=120.0, load_s=4.0)}
OWN = {
    "high_pass": "stager.plugins.effects.filters:HighPass",
    "remove_dc": "stager.plugins.effects.plain:RemoveDc",
    "flip_polarity": "stager.plugins.effects.plain:FlipPolarity",
    "align": "stager.plugins.effects.plain:Align",
    "fold_mono": "stager.plugins.effects.plain:FoldMono",
    "resample": "stager.plugins.effects.resample:Resample",
}


def use_of(name: str, group: str = "stager.steps", *, own: bool | None = None, **settings: object) -> PluginUse:
    """A plug-in of ours, or one of the wicked file."""
    mine = name in OWN if own is None else own
    place = {"entry": OWN[name]} if name in OWN else {"file": str(WICKED)}
    source = PluginSource(group=group, name=name, version="1", origin="a test", own=mine, isolated=not mine, **place)
    return PluginUse(source=source, match=("*",), settings=settings)


def work_of(folder: Path, *uses: PluginUse) -> Work:
    limits = SHORT.get(uses[0].source.name, CALM) if uses else CALM
    return Work("kick.wav", uses, folder, limits)


def through(work: Work, block: Samples, frames: int = 1_000) -> Samples:
    """What comes out of the steps, for a signal cut into such blocks."""

    def parts() -> list[Samples]:
        return cut(block, range(frames, len(block), frames))

    with stepped(work, Stream(48_000, block.shape[1], len(block)), lambda: iter(parts())) as (shape, blocks):
        found = np.concatenate(list(blocks))
    assert found.shape == (shape.frames, shape.channels)
    return found


def test_steps_work_in_their_order(tmp_path: Path) -> None:
    """A delay, then the mean away, is not the mean away, then a delay."""
    block = white_noise(3_000, 2, seed=20) + 0.1
    later, mean = use_of("align", delay_frames=1_000), use_of("remove_dc")
    moved = np.concatenate((np.zeros((1_000, 2)), block))
    assert np.allclose(through(work_of(tmp_path, later, mean), block), moved - moved.mean(axis=0), rtol=0, atol=1e-15)
    first = np.concatenate((np.zeros((1_000, 2)), block - block.mean(axis=0)))
    assert np.allclose(through(work_of(tmp_path, mean, later), block), first, rtol=0, atol=1e-15)


@pytest.mark.parametrize("frames", [1, 2, 97])
def test_a_chain_gives_the_same_for_any_cut(tmp_path: Path, frames: int) -> None:
    """Filter, mean, rate, fold and delay together equal the whole file to 1e-6, whatever the blocks."""
    block = white_noise(2_001, 2, seed=21) + 0.05
    chain = (
        use_of("high_pass", cutoff_hz=60.0),
        use_of("remove_dc"),
        use_of("resample", rate_hz=44_100),
        use_of("fold_mono"),
        use_of("align", delay_frames=33),
    )
    whole = through(work_of(tmp_path, *chain), block, 10_000)
    assert np.abs(through(work_of(tmp_path, *chain), block, frames) - whole).max() < 1e-6


def test_no_step_gives_the_very_samples(tmp_path: Path) -> None:
    """A chain of none hands the blocks on."""
    block = white_noise(500, 2, seed=22)
    assert np.array_equal(through(work_of(tmp_path), block), block)


@pytest.mark.parametrize("name", OWN)
def test_a_step_in_a_worker_gives_the_same_bits(tmp_path: Path, name: str) -> None:
    """Isolation changes no sample: our own steps give the same here and in a process of their own."""
    settings = {"align": {"delay_frames": -5}, "resample": {"rate_hz": 44_100}}.get(name, {})
    block = white_noise(3_000, 2, seed=23)
    away = through(work_of(tmp_path, use_of(name, own=False, **settings)), block)
    assert np.array_equal(away, through(work_of(tmp_path, use_of(name, **settings)), block))


def test_a_plugin_of_a_file_works_and_may_print(tmp_path: Path) -> None:
    """What it prints does not get between its answers."""
    block = white_noise(3_000, 2, seed=24)
    assert np.array_equal(through(work_of(tmp_path, use_of("doubled")), block), 2.0 * block)


def test_latency_is_made_up_for(tmp_path: Path) -> None:
    """A step that says how late it is gives the input back in its place, to the last frame."""
    block = white_noise(1_003, 2, seed=25)
    assert np.array_equal(through(work_of(tmp_path, use_of("late")), block, 250), block)


ENDS = {
    "crash": "its process was ended by SIGSEGV",
    "leave": "its process ended with status 7",
    "hang": "no answer within 2 s, so it was ended",
    "hang_in_loading": "no answer within 4 s, so it was ended",
    "glutton": "it asked for more than 512 MiB of memory",
    "wrong_shape": r"wrong shape: expected \(frames, 2\), found \(1000,\)",
    "too_short": "wrong length: expected 3000 frames, found 1500",
    "too_long": "wrong length: expected 3000 frames, found more",
    "no_number": "returned samples that are no numbers",
    "raises": "KeyError: 'gain'",
    "huge_promise": "promises .* which is no stream of audio",
}


@pytest.mark.parametrize("name", ENDS)
def test_a_step_that_misbehaves_is_one_sentence(tmp_path: Path, name: str) -> None:
    """Crash, hang, greed, wrong shapes and NaN end in an error of that stem, with the plug-in's name; we go on."""
    says = rf"^kick\.wav: step '{name}' of a test: {ENDS[name]}"
    with pytest.raises(StepFailed, match=says):
        through(work_of(tmp_path, use_of(name)), white_noise(3_000, 2, seed=26))


def test_nothing_is_left_running(tmp_path: Path) -> None:
    """A plug-in's process, and what it started, is gone once we let go of it."""
    source = use_of("doubled").source
    with worker(source, tmp_path, Label("doubled"), CALM) as process:
        process.ask("describe")
        pid = process._process.pid
        assert Path(f"/proc/{pid}").exists() or os.name == "nt"
    deadline = time.monotonic() + 60.0
    while Path(f"/proc/{pid}").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not Path(f"/proc/{pid}").exists()


@pytest.mark.parametrize("folder_file", ["numpy.py", "json.py", "stager.py"])
def test_a_file_of_the_project_is_not_taken_for_a_library(tmp_path: Path, folder_file: str) -> None:
    """The worker stands in the project's folder and still imports nothing from it."""
    (tmp_path / folder_file).write_text("raise SystemExit(3)")
    block = white_noise(100, 1)
    assert np.array_equal(through(work_of(tmp_path, use_of("doubled")), block), 2.0 * block)


def test_a_meter_that_gives_no_figure_is_refused(tmp_path: Path) -> None:
    """Infinity is no figure."""
    work, block = work_of(tmp_path, use_of("no_figure", "stager.meters")), white_noise(10, 1)
    with pytest.raises(StepFailed, match="meter 'no_figure' of a test: its much is no figure, found inf"):
        extra_figures(work, Stream(48_000, 1, 10), lambda: iter([block]))


def test_a_check_that_gives_no_finding_is_refused(tmp_path: Path) -> None:
    """What is no finding does not get into a sidecar."""
    with pytest.raises(StepFailed, match="check 'no_finding' of a test: "):
        check_findings(work_of(tmp_path, use_of("no_finding", "stager.checks")), levels(), {})


def test_a_rule_that_wants_no_gain_is_refused(tmp_path: Path) -> None:
    """NaN is no gain."""
    with pytest.raises(StepFailed, match=re.escape("rule 'no_gain' of a test: expected a gain in dB, found nan")):
        rule_wants(work_of(tmp_path, use_of("no_gain", "stager.rules")), levels())
