"""Steps through the installed command: copies as computed by numpy and scipy, faults as outcomes, proof and trust."""

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from tests.support.song import Song, SongMaker, sha256, tree
from tests.support.wavefile import FLOAT, PCM_16, PCM_24

pytestmark = pytest.mark.long

RATE_HZ = 48_000
WICKED = Path(__file__).parent.parent / "support" / "faulty_plugins.py"
LSB = 2.0**-23


def step(use: str, match: str = "*", **settings: object) -> str:
    """A [[step]] table; JSON's texts and numbers are TOML's too."""
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in settings.items())
    return f'[[step]]\nuse = "{use}"\nmatch = ["{match}"]\n{lines}'


def part(seconds: float = 2.0, channels: int = 2, seed: int = 31, rms: float = 0.05) -> NDArray[np.float64]:
    """Noise as a stem, held inside full scale, on the grid of 24 bits."""
    block = np.clip(np.random.default_rng(seed).normal(0.0, rms, (round(seconds * RATE_HZ), channels)), -0.9, 0.9)
    return np.asarray(np.rint(block / LSB) * LSB)


def gain_of(outcome: dict[str, Any]) -> float:
    return float(10 ** (outcome["trim"]["gain_db"] / 20))


def test_a_copy_is_the_filtered_stem_times_its_gain(make_song: SongMaker) -> None:
    """Within 1.5 steps of 24 bits (dither and rounding) it is scipy's Butterworth of the original times the gain."""
    song = make_song(step("high_pass", cutoff_hz=80.0))
    block = part() + 0.02
    song.put("bass.wav", block)
    outcome = song.outcome("bass.wav")
    sections = signal.butter(2, 80.0, "highpass", fs=RATE_HZ, output="sos")
    wanted = signal.sosfilt(sections, block, axis=0) * gain_of(outcome)
    assert np.abs(song.copy("bass.wav").samples() - wanted).max() < 1.51 * LSB
    (stamp,) = outcome["steps"]
    assert (stamp["name"], stamp["settings"]) == ("high_pass", {"cutoff_hz": 80.0})
    assert stamp["version"]
    assert stamp["origin"].startswith("stager ")


def test_the_trim_is_decided_on_what_comes_out(make_song: SongMaker) -> None:
    """Rumble at 20 Hz, 20 dB over a tone, is filtered away: the tone alone comes to the target, within a step."""
    song = make_song(step("high_pass", cutoff_hz=300.0) * 2)
    at = np.arange(3 * RATE_HZ) / RATE_HZ
    song.put("bass.wav", 0.3 * np.sin(2 * np.pi * 20 * at) + 0.03 * np.sin(2 * np.pi * 2_000 * at))
    outcome = song.outcome("bass.wav")
    tone_dbfs = 20 * np.log10(0.03)
    assert abs(outcome["trim"]["gain_db"] - (-18.0 - tone_dbfs)) < 0.15
    assert abs(outcome["levels"]["average_dbfs"] - tone_dbfs) < 0.05
    assert abs(outcome["copy"]["average_dbfs"] + 18.0) < 0.15


def test_a_resampled_copy_is_the_original_at_the_other_rate(make_song: SongMaker) -> None:
    """Rate, length, time stamp and markers are those of 44.1 kHz; the audio agrees with the sine's formula."""
    song = make_song(step("resample", rate_hz=44_100))
    at = np.arange(2 * RATE_HZ) / RATE_HZ
    bext = bytearray(602)
    struct.pack_into("<Q", bext, 338, 3_600 * RATE_HZ)
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, RATE_HZ, b"data", 0, 0, RATE_HZ)
    around = {"before": [(b"bext", bytes(bext))], "after": [(b"cue ", cue)]}
    song.put("tone.wav", 0.1 * np.sin(2 * np.pi * 997 * at), **around)
    outcome, copy = song.outcome("tone.wav"), song.copy("tone.wav")
    assert (copy.rate_hz, len(copy.samples())) == (44_100, 88_200)
    wanted = gain_of(outcome) * 0.1 * np.sin(2 * np.pi * 997 * np.arange(88_200) / 44_100)
    assert np.abs(copy.samples()[9_000:-9_000, 0] - wanted[9_000:-9_000]).max() < 3 * LSB
    assert struct.unpack_from("<Q", copy.payload(b"bext"), 338)[0] == 3_600 * 44_100
    assert struct.unpack_from("<I", copy.payload(b"cue "), 8)[0] == 44_100
    assert {"fmt ", "bext", "cue "} <= set(outcome["copy"]["chunks"]["rewritten"])


def test_a_dual_mono_stem_is_folded(make_song: SongMaker) -> None:
    """Two equal channels become one, dual mono is no longer found, and the header says one channel."""
    song = make_song(step("fold_mono") + '[target]\nrule = "leave"\n')
    one = part(channels=1)
    song.put("voice.wav", np.repeat(one, 2, axis=1))
    outcome, copy = song.outcome("voice.wav"), song.copy("voice.wav")
    assert copy.channels == 1
    assert np.abs(copy.samples() - one).max() < 1.51 * LSB
    assert "dual_mono" not in [finding["code"] for finding in outcome["findings"]]


@pytest.mark.parametrize("kind", [PCM_16, PCM_24, FLOAT], ids=str)
def test_the_copy_keeps_the_originals_encoding(make_song: SongMaker, kind: Any) -> None:
    """Steps work in 64-bit float, and the copy is stored like its original."""
    song = make_song(step("flip_polarity") + '[target]\nrule = "leave"\n[copy]\ndither = "none"\n')
    block = np.rint(part() * 2**15) / 2**15
    song.put("kick.wav", block, kind=kind)
    assert song.outcome("kick.wav")["copy"]["encoding"] == kind.name
    assert np.array_equal(song.copy("kick.wav").samples(), -block)


def test_a_stem_without_steps_is_what_it_was(make_song: SongMaker) -> None:
    """Steps of other stems change no byte: copy and sidecar are those of a project without any."""
    plain, stepped = make_song("", "one"), make_song(step("high_pass", "voice*"), "two")
    for song in (plain, stepped):
        song.put("kick.wav", part())
        song.stage()
    assert sha256(plain.outbox / "kick.wav") == sha256(stepped.outbox / "kick.wav")
    assert plain.settled()["kick.wav.json"] == stepped.settled()["kick.wav.json"]
    assert stepped.sidecar("kick.wav")["steps"] == []


def test_damage_of_the_original_is_told_whatever_the_steps(make_song: SongMaker) -> None:
    """A clipped take stays one to play again, though the filter bends its flat tops."""
    song = make_song(step("high_pass", cutoff_hz=200.0))
    at = np.arange(2 * RATE_HZ) / RATE_HZ
    song.put("bass.wav", np.clip(1.6 * np.sin(2 * np.pi * 110 * at), -1.0, 1.0 - LSB))
    outcome = song.outcome("bass.wav")
    assert "clipped" in [finding["code"] for finding in outcome["findings"]]
    assert outcome["verdict"] == "play_again"


def test_another_setting_makes_the_copy_out_of_date(make_song: SongMaker) -> None:
    """Only the stems that the step matches are staged again, and a second run finds nothing to do."""
    song = make_song(step("high_pass", "bass*", cutoff_hz=80.0))
    song.put("bass.wav", part())
    song.put("kick.wav", part(seed=32))
    song.stage()
    before = tree(song.outbox)
    assert song.stage().code == 0
    assert tree(song.outbox)["bass.wav"] == before["bass.wav"]
    song.file.write_text(song.file.read_text().replace("80.0", "90.0"))
    song.stage()
    after = tree(song.outbox)
    assert after["bass.wav"] != before["bass.wav"]
    assert after["kick.wav"] == before["kick.wav"]


def test_a_dry_run_tells_the_same_and_writes_nothing(make_song: SongMaker) -> None:
    """What a rehearsal says of a stem with steps is what staging then does."""
    song = make_song(step("high_pass", cutoff_hz=80.0) + step("align", delay_frames=100))
    song.put("bass.wav", part())
    before = tree(song.folder)
    foretold = song.outcome("bass.wav", "--dry-run")
    assert tree(song.folder) == before
    made = song.outcome("bass.wav")
    assert foretold["trim"] == made["trim"]
    assert foretold["levels"] == made["levels"]
    assert foretold["steps"] == made["steps"]


def test_nothing_is_left_in_the_state_folder(make_song: SongMaker) -> None:
    """The processed audio lies there while a copy is written, and no longer."""
    song = make_song(step("remove_dc"))
    song.put("bass.wav", part())
    song.stage()
    assert [path.name for path in (song.folder / ".stager").glob(".stager-*")] == []


def test_a_step_that_fits_no_stem_refuses_that_stem(make_song: SongMaker) -> None:
    """A filter above what a stem's rate holds is this stem's outcome, with the step's name; the others are staged."""
    song = make_song(step("high_pass", cutoff_hz=9_000.0))
    song.put("low.wav", part(), rate_hz=16_000)
    song.put("high.wav", part())
    outcomes = song.outcomes()
    assert outcomes["low.wav"]["refused"] == "step_failed"
    assert "step 'high_pass'" in outcomes["low.wav"]["says"]
    assert "refused" not in outcomes["high.wav"]


BAD = ("crash", "hang", "glutton", "wrong_shape", "no_number")


def test_five_bad_steps_are_five_outcomes(make_song: SongMaker) -> None:
    """Crash, sleep, greed, shape and NaN: each stem is refused with the step's name, and the others are staged."""
    table = '[[plugin]]\nfile = "wicked.py"\n'
    song = make_song(table + "".join(step(name, f"{name}*") for name in BAD) + step("doubled", "good*"))
    (song.folder / "wicked.py").write_text(WICKED.read_text())
    for name in (*BAD, "good", "plain"):
        song.put(f"{name}.wav", part(0.5, 1))
    outcomes = song.outcomes()
    assert {name for name, found in outcomes.items() if found.get("refused") == "step_failed"} == {
        f"{name}.wav" for name in BAD
    }
    assert all(f"step '{name}' of wicked.py" in outcomes[f"{name}.wav"]["says"] for name in BAD)
    wanted = 2.0 * part(0.5, 1) * gain_of(outcomes["good.wav"])
    assert np.abs(song.copy("good.wav").samples() - wanted).max() < 1.51 * LSB
    assert (song.outbox / "plain.wav").is_file()
    assert song.stager("stage", song.folder).code == 1


def test_verify_says_that_it_is_no_pure_trim_and_proves_it(make_song: SongMaker) -> None:
    """The steps are run again, the copy is compared with what comes out; one code changed in the copy is found."""
    song = make_song(step("high_pass", cutoff_hz=80.0) + step("resample", rate_hz=44_100))
    path = song.put("bass.wav", part())
    song.stage()
    proof = song.stager("verify", song.folder, "--json")
    (stem,) = proof.json()["stems"]
    assert (proof.code, stem["ok"], stem["steps"]) == (0, True, ["high_pass", "resample"])
    assert "not a pure trim: high_pass, resample came before it" in stem["notes"]
    assert stem["residual_peak_lsb"] < 1.51
    copy = song.outbox / "bass.wav"
    content = bytearray(copy.read_bytes())
    content[len(content) // 2] ^= 0x10
    copy.write_bytes(content)
    worse = song.stager("verify", song.folder, "--json")
    assert worse.code == 1
    assert worse.json()["stems"][0]["ok"] is False
    assert path.is_file()


def test_verify_says_where_a_step_is_gone(make_song: SongMaker) -> None:
    """Without the plug-in the samples can't be proven; that is said, and the figures of the copy are still compared."""
    song = make_song('[[plugin]]\nfile = "wicked.py"\n' + step("doubled"))
    (song.folder / "wicked.py").write_text(WICKED.read_text())
    song.put("bass.wav", part(0.5))
    song.stage()
    assert song.stager("verify", song.folder, "--json").json()["stems"][0]["residual_peak_lsb"] < 1.51
    song.file.write_text('version = 1\n[project]\nname = "Salt Road"\n')
    (stem,) = song.stager("verify", song.folder, "--json").json()["stems"]
    assert stem["ok"] is True
    assert "its samples can't be proven: doubled" in stem["notes"][-1]


def test_wrong_settings_stop_before_anything(make_song: SongMaker) -> None:
    """A project-file error with its line, and exit status 2."""
    song = make_song(step("high_pass", cutoff_hz="deep"))
    done = song.stager("stage", song.folder)
    assert done.code == 2
    assert 'stager.toml:7: step.1.cutoff_hz: expected a number, found "deep"' in done.stderr


def test_a_plugin_in_the_inbox_is_never_run(make_song: SongMaker) -> None:
    """Naming it is an error with its line, and its code leaves no trace."""
    song = make_song('[[plugin]]\nfile = "bounces/mine.py"\n')
    (song.inbox / "mine.py").write_text(f"open({str(song.folder / 'ran')!r}, 'w')")
    done = song.stager("stage", song.folder)
    assert done.code == 2
    assert "stager.toml:5: plugin.1.file: expected a file that no recorder writes" in done.stderr
    assert not (song.folder / "ran").exists()


def test_a_link_is_decided_on_what_the_steps_give(make_song: SongMaker) -> None:
    """Two stems of a link get one trim from what they sound like behind their steps."""
    song: Song = make_song(
        step("high_pass", "left*", cutoff_hz=300.0) + '[[link]]\nname = "pair"\nmatch = ["left*", "right*"]\n'
    )
    at = np.arange(3 * RATE_HZ) / RATE_HZ
    tone = 0.03 * np.sin(2 * np.pi * 3_000 * at)
    song.put("left.wav", tone + 0.2 * np.sin(2 * np.pi * 15 * at))
    song.put("right.wav", 0.5 * tone)
    outcomes = song.outcomes()
    gains = {outcome["trim"]["gain_db"] for outcome in outcomes.values()}
    assert len(gains) == 1
    assert abs(gains.pop() - (-18.0 - 20 * np.log10(0.03))) < 0.3


def test_the_watch_goes_on_after_a_step_that_crashed(make_song: SongMaker) -> None:
    """The stem whose step ends its process is refused, those that come after it are staged, and the watch ends well."""
    song = make_song('[[plugin]]\nfile = "wicked.py"\n' + step("crash", "bad*") + step("high_pass", "good*"))
    (song.folder / "wicked.py").write_text(WICKED.read_text())
    for name in ("bad.wav", "good.wav", "other.wav"):
        song.put(name, part(0.5))
    done = song.stager("watch", song.folder, "--until-idle", "1.5")
    assert done.code == 0
    assert {name for name in song.outbox_names() if name.endswith(".wav")} == {"good.wav", "other.wav"}
    assert "step 'crash' of wicked.py: its process was ended by SIGSEGV" in done.stdout + done.stderr
