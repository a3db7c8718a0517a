"""Faults of a handover among copies: each is still on the page, copies are one line, each stem keeps its verdict."""

import re
from dataclasses import replace
from typing import Final

import numpy as np
import pytest

from tests.support import handover_sets
from tests.support.handover_sets import Stem
from tests.support.signals import white_noise
from tests.support.song import Song
from tests.support.wavefile import FLOAT, PCM_16

RATE: Final = 48_000
SOUND: Final = Stem("oud.wav", 70, -5.0, start_s=3600.0)
FAULTY: Final = (
    replace(SOUND, name="oud.wav", rate_hz=44_100),
    replace(SOUND, name="ney.wav", seed=71, kind=PCM_16),
    replace(SOUND, name="zither.wav", seed=72, start_s=3602.0),
    replace(SOUND, name="gong.wav", seed=73, seconds=2.0),
    replace(SOUND, name="Audio_01.wav", seed=74),
    replace(SOUND, name="lyre.wav", seed=75, sides=2),
    replace(SOUND, name="conch.wav", seed=76, peak_dbfs=3.0, cut_dbfs=0.0),
)
"""One stem each at another rate, depth, start and length, without a name, mono in a stereo file, clipped."""
ON_THE_PAGE: Final = (
    r"Clipped: conch\.wav",
    r"not at 48 kHz: oud\.wav",
    r"another time stamp than the rest: zither\.wav",
    r"not in 24-bit: ney\.wav",
    r"no word for what plays: Audio_01\.wav",
    r"Silent: silent_bell\.wav",
    r"one-sided stems|One side[^.]*one_side\.wav",
    r"mono parts in stereo|same on both sides[^.]*lyre\.wav",
    r"lengths|gong\.wav",
)
"""Nine faults: those that need something done with their stems; facts at least by what they are about."""


def filled(song: Song) -> Song:
    """Put five sound parts, seven faulty ones, a silent, a one-sided one and two families of copies in, and stage."""
    for stem in (*handover_sets.parts(start_s=3600.0), *FAULTY):
        stem.put(song)
    stamp = SOUND.chunks()
    song.put("silent_bell.wav", np.zeros(3 * RATE), **stamp)
    one = replace(SOUND, seed=99).samples()[:, 0]
    song.put("one_side.wav", np.column_stack((one, np.zeros(len(one)))), **stamp)
    for family, seed, count in (("reed", 5, 4), ("shawm", 6, 2)):
        base = white_noise(3 * RATE, seed=seed)
        for number in range(count):
            lag = np.zeros((480 * number, 1))
            song.put(f"{family}_{number}.wav", np.concatenate((lag, base))[: len(base)] * 0.9**number, **stamp)
    assert song.stage().code == 0
    return song


@pytest.mark.long
def test_nine_faults_among_copies_are_each_on_the_page(song: Song) -> None:
    """`stage`, then `check` and `report`, no watch: every fault, and each family of copies as one line."""
    filled(song)
    checked = " ".join(song.stager("check", song.folder).stdout.split())
    assert song.stager("report", song.folder).code == 0
    notes, page = ((song.outbox / name).read_text("utf-8") for name in ("notes.md", "report.html"))
    for text in (checked, notes.replace("\\", ""), page):
        assert [fault for fault in ON_THE_PAGE if not re.search(fault, text)] == []
        assert len(re.findall(r"reed_0\.wav, reed_1\.wav, reed_2\.wav and reed_3\.wav are one performance", text)) >= 1
    everything = " ".join(song.stager("check", song.folder, "--all").stdout.split())
    assert everything.count("one performance") == 1
    findings = song.stager("check", song.folder, "--json").json()["findings"]
    (family,) = [each for each in findings if each["code"] == "double_is_copy" and "reed_0.wav" in each["stems"]]
    assert sorted(family["stems"]) == [f"reed_{number}.wav" for number in range(4)]
    ranks = [each["code"] for each in findings if each["verdict"] == "listen"]
    assert max(map(ranks.index, ("rate_differs", "start_differs", "depth_differs"))) < ranks.index("double_is_copy")


def test_a_clipped_stem_and_a_hot_one_keep_their_verdicts(song: Song) -> None:
    """One stem clipped all through, one over full scale in float between samples: the second is not judged with it."""
    replace(SOUND, name="conch.wav", peak_dbfs=6.0, cut_dbfs=0.0).put(song)
    hot = replace(SOUND, name="lyre.wav", seed=3).samples()
    hot[RATE : RATE + 4] = 1.0 - 2.0**-23
    song.put("lyre.wav", hot, **SOUND.chunks())
    assert song.stage().code == 0
    own = {name: song.sidecar(name) for name in ("conch.wav", "lyre.wav")}
    findings = song.stager("check", song.folder, "--json").json()["findings"]
    for name, sidecar in own.items():
        worst = {each["code"]: each["verdict"] for each in sidecar["findings"] if each["verdict"] != "usable"}
        told = {each["code"]: each["verdict"] for each in findings if name in each["stems"]}
        assert {code: told.get(code) for code in worst} == worst
    verdicts = [sidecar["verdict"] for sidecar in own.values()]
    assert verdicts == ["play_again", "listen"]


def test_the_three_loudest_are_those_of_the_peak(song: Song) -> None:
    """Six steady parts and one moment at which three of them have a pulse: these three are named, largest first."""
    pulses = {"gong.wav": 0.5, "bell.wav": 0.4, "drum.wav": 0.3, "ney.wav": 0.0, "oud.wav": 0.0, "lyre.wav": 0.0}
    for seed, (name, pulse) in enumerate(pulses.items()):
        part = white_noise(3 * RATE, 2, seed=seed, rms=0.005)
        part[RATE : RATE + 40] += pulse
        song.put(name, part, RATE, FLOAT)
    song.file.write_text('version = 1\n[target]\nrule = "leave"\n', "utf-8")
    assert song.stage().code == 0
    found = song.stager("check", song.folder, "--json").json()["bus"]
    assert [each["stem"] for each in found["loudest"]] == ["gong.wav", "bell.wav", "drum.wav"]
    assert abs(found["at_s"] - 1.0) < 0.002
    says = " ".join(song.stager("check", song.folder).stdout.split())
    assert "The three loudest at that moment: gong.wav, bell.wav, drum.wav." in says
