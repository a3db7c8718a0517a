"""How programs write files, each a process of its own, under two watches at once: one that listens, one that polls.

Nothing cut is ever staged, and the last copy is the one that a calm run makes of the file at rest.
"""

import json
import subprocess
import sys
import time
from collections import defaultdict
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.support import wavefile, writers
from tests.support.command import HUNG_S, Command
from tests.support.signals import band_limited_noise
from tests.support.song import Song, sha256
from tests.support.wavefile import PCM_16

pytestmark = pytest.mark.long

SETTLE_S = 0.3
TOML = f'[project]\nname = "Salt Road"\nsettle_s = {SETTLE_S}\n'
WATCHES = {"listening": (), "polling": ("--poll",)}
HELD = pytest.mark.skipif(sys.platform != "linux", reason="this system does not say who holds a file open")
CASES = [pytest.param(mode, marks=[HELD] if writers.MODES[mode] in writers.HOLDING else []) for mode in writers.MODES]


@dataclass
class Written:
    """What came of every mode: versions that were whole, and under each watch what was seen and what was wrong."""

    whole: dict[str, list[str]]
    calm: dict[str, str]
    songs: dict[str, Song]
    seen: dict[tuple[str, str], set[str]] = field(default_factory=lambda: defaultdict(set))
    wrong: dict[tuple[str, str], list[str]] = field(default_factory=lambda: defaultdict(list))
    said: dict[str, str] = field(default_factory=dict)

    def look(self) -> None:
        """Look at every copy with a sidecar beside it; one that is replaced meanwhile is looked at the next time."""
        for watch, song in self.songs.items():
            for place in song.outbox.glob("*.wav.json"):
                mode = place.name.removesuffix(".wav.json")
                try:
                    before, copy = place.read_bytes(), place.with_suffix("").read_bytes()
                    if place.read_bytes() == before:
                        self._judge(watch, mode, json.loads(before), place.with_suffix(""), copy)
                except FileNotFoundError:
                    continue

    def _judge(self, watch: str, mode: str, sidecar: dict[str, Any], path: Path, copy: bytes) -> None:
        self.seen[watch, mode].add(sidecar["source"]["sha256"])
        sizes = int.from_bytes(copy[4:8], "little") + 8, int.from_bytes(copy[40:44], "little") + writers.HEADER
        if sizes != (len(copy), len(copy)):
            self.wrong[watch, mode].append(f"a copy of {len(copy)} bytes whose header promises {sizes}")
        if path.exists() and sha256(path) == sidecar["copy"]["sha256"]:
            return
        self.wrong[watch, mode].append("a sidecar that describes another copy")

    def is_done(self) -> bool:
        """Return whether every file at rest has its copy, under either watch."""
        return all(
            (place := song.outbox / f"{mode}.wav.json").exists()
            and json.loads(place.read_bytes())["source"]["sha256"] == versions[-1]
            for song in self.songs.values()
            for mode, versions in self.whole.items()
        )


def _sources(folder: Path) -> dict[str, Path]:
    """A finished file for each mode, every one another."""
    rng = np.random.default_rng(55)
    return {
        mode: wavefile.write(folder / f"{mode}.wav", band_limited_noise(rng, -26.0, 30_000 + 100 * number), kind=PCM_16)
        for number, mode in enumerate(writers.MODES)
    }


def _start(mode: str, source: Path, songs: list[Song]) -> subprocess.Popen[str]:
    awaited = [song.outbox / f"{mode}.wav.json" for song in songs] if writers.MODES[mode] in writers.SEEN_TWICE else []
    place = songs[0].inbox / source.name
    line = [sys.executable, "-I", "-S", writers.__file__, mode, source, place, str(SETTLE_S), *awaited]
    return subprocess.Popen(line, stdout=subprocess.PIPE, text=True)


@pytest.fixture(scope="module")
def written(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Written:
    """Every mode at once into one inbox, with a listening and a polling watch over it."""
    folder = tmp_path_factory.mktemp("writers")
    sources = _sources(folder / "sources")
    first, second = Song.made(stager, folder / "first", TOML), Song.made(stager, folder / "second")
    second.file.write_text(f'version = 1\n{TOML}inbox = "../first/bounces"\n')
    calm = Song.made(stager, folder / "calm")
    for source in sources.values():
        (calm.inbox / source.name).write_bytes(source.read_bytes())
        calm.rest(source.name)
    assert calm.stage().code == 0
    copies = {mode: sha256(calm.outbox / f"{mode}.wav") for mode in sources}
    made = Written({}, copies, dict(zip(WATCHES, (first, second), strict=True)))
    with ExitStack() as stack:
        for watch, song in made.songs.items():
            log = folder / f"{watch}.log"
            process = stack.enter_context(stager.started("watch", song.folder, *WATCHES[watch], log=log))
            _until(lambda log=log: "watching" in log.read_text(), process)  # type: ignore[misc]
        writing = {mode: _start(mode, source, [first, second]) for mode, source in sources.items()}
        _until(lambda: made.look() or all(one.poll() is not None for one in writing.values()), process)
        for mode, one in writing.items():
            assert one.wait(HUNG_S) == 0, f"the writer {mode} failed"
            made.whole[mode] = (one.stdout or sys.stdin).read().split()
            (one.stdout or sys.stdin).close()
        _until(lambda: made.look() or made.is_done(), process)
        time.sleep(3 * SETTLE_S)
        made.look()
    made.said = {watch: (folder / f"{watch}.log").read_text() for watch in WATCHES}
    return made


def _until(what: Any, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the watch ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.03)


@pytest.mark.parametrize("watch", WATCHES)
@pytest.mark.parametrize("mode", CASES)
def test_the_last_copy_is_that_of_the_file_at_rest(written: Written, mode: str, watch: str) -> None:
    """Whatever a writer did before: in the end its copy is, byte for byte, what one calm run makes of the file."""
    assert sha256(written.songs[watch].outbox / f"{mode}.wav") == written.calm[mode]


@pytest.mark.parametrize("watch", WATCHES)
@pytest.mark.parametrize("mode", CASES)
def test_nothing_in_between_was_cut(written: Written, mode: str, watch: str) -> None:
    """Every copy that was ever seen beside a sidecar was whole, the one described, and of a version that was whole."""
    assert written.wrong[watch, mode] == []
    assert written.seen[watch, mode] <= set(written.whole[mode])


@pytest.mark.parametrize("watch", WATCHES)
@pytest.mark.parametrize("mode", [mode.__name__ for mode in writers.SEEN_TWICE])
def test_what_goes_on_after_it_was_whole_is_the_next_version(written: Written, mode: str, watch: str) -> None:
    """A file that was staged and then changed is staged again as version 2."""
    assert written.songs[watch].sidecar(f"{mode}.wav")["version"] == 2
    assert len(written.seen[watch, mode]) == 2


def test_a_watch_that_met_every_writer_says_nothing_odd(written: Written) -> None:
    """No error of the program's own is in either log, and neither outbox has anything but copies and sidecars."""
    for watch, song in written.songs.items():
        assert "Traceback" not in written.said[watch]
        names = {f"{mode}.wav" for mode in writers.MODES}
        assert song.outbox_names() == names | {f"{name}.json" for name in names}
