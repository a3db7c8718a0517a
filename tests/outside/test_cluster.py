"""Stems staged by the workers of a cluster: the same files as by one process, whoever dies in between."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np
import pytest

from tests.support.command import HUNG_S, Command
from tests.support.outbox import copies_in, drafts, wrongs
from tests.support.processes import Told, of_session, wait_for
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, tree

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform != "linux", reason="processes are told by /proc")]
LINKED = '[[link]]\nname = "pair"\nmatch = ["pair *.wav"]\n'
MANY = 12


def fill(song: Song) -> Song:
    """Stems in folders, a link, one that is no audio, one in another encoding: what a plain run has as well."""
    noise = np.random.default_rng(7)
    song.put("Kick.wav", noise.normal(0, 0.02, (48_000, 2)))
    song.put("drums/Snare ü.wav", noise.normal(0, 0.05, 30_000))
    song.put("pair L.wav", noise.normal(0, 0.01, 40_000))
    song.put("pair R.wav", noise.normal(0, 0.03, 40_000))
    song.put("Silence.wav", np.zeros(9_600))
    (song.inbox / "Torn.wav").write_bytes(b"RIFF and no more")
    song.rest("Torn.wav", 10.0)
    return song


def fill_long(song: Song) -> Song:
    """Stems that take workers a second or more together, so that one dies in the middle of one."""
    for number in range(MANY):
        song.put(f"Part {number:02}.wav", np.tile(sine(200 + number, -30.0, 1.0), (40, 1)).reshape(-1))
    return song


class Cluster:
    """A scheduler and workers, each a process of its own; made by `cluster`."""

    def __init__(self, stack: ExitStack, folder: Path) -> None:
        self._stack, self._folder = stack, folder
        self.file = folder / "scheduler.json"
        served = ("--host", "127.0.0.1", "--port", "0", "--dashboard-address", "127.0.0.1:0", "--no-dashboard")
        self.scheduler = self._start("dask_scheduler", *served, "--scheduler-file", str(self.file))
        self.address: str = wait_for(self._address)

    def work(self, **env: str) -> subprocess.Popen[bytes]:
        """Start a worker with one thread."""
        kept = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(self._folder))
        return self._start("dask_worker", self.address, *kept, **env)

    def _start(self, module: str, *args: str, **env: str) -> subprocess.Popen[bytes]:
        log = self._stack.enter_context((self._folder / f"{module}.log").open("ab"))
        line = [sys.executable, "-m", f"distributed.cli.{module}", *args]
        process = subprocess.Popen(line, cwd=self._folder, env={**os.environ, **env}, stdout=log, stderr=log)
        self._stack.callback(process.wait, HUNG_S)
        self._stack.callback(process.kill)
        return process

    def _address(self) -> str | None:
        try:
            return str(json.loads(self.file.read_text())["address"])
        except (OSError, ValueError):
            return None


@contextmanager
def cluster(folder: Path, workers: int = 2) -> Iterator[Cluster]:
    """Start a scheduler with its workers; they are gone at the end."""
    folder.mkdir()
    with ExitStack() as stack:
        made = Cluster(stack, folder)
        for _ in range(workers):
            made.work()
        yield made


def at_work(song: Song) -> bool:
    """Return whether a copy is being written."""
    return any(path.stat().st_size > 100_000 for path in song.outbox.glob(".stager-*"))


def listens_at(pids: list[int]) -> set[str]:
    """Return the local addresses that processes listen at for TCP, as /proc/net has them in hex."""
    inodes = set()
    for pid in pids:
        for link in Path(f"/proc/{pid}/fd").glob("*"):
            try:
                inodes.add(str(link.readlink()).removeprefix("socket:[").removesuffix("]"))
            except OSError:
                continue
    rows = [line.split() for name in ("tcp", "tcp6") for line in Path(f"/proc/net/{name}").read_text().splitlines()[1:]]
    return {row[1].partition(":")[0] for row in rows if row[3] == "0A" and row[9] in inodes}


@pytest.fixture
def pair(make_song: SongMaker) -> tuple[Song, Song]:
    """Return two songs that are alike, the first staged by one process."""
    plain, other = (fill(make_song(LINKED, name)) for name in ("plain", "other"))
    assert plain.stage().code == 1
    return plain, other


@pytest.fixture
def long_pair(make_song: SongMaker) -> tuple[Song, Song]:
    """Return two long songs that are alike, the first staged by one process."""
    plain, other = (fill_long(make_song("", name)) for name in ("plain", "other"))
    assert plain.stage().code == 0
    return plain, other


def test_workers_here_give_the_same(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """Copies and sidecars of `--cluster local` are a plain run's, nothing lies around, and all of it is up to date."""
    plain, other = pair
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    before = tree(other.inbox)
    result = other.stager("stage", other.folder, "--cluster", "local", "--jobs", "2", env={"TMPDIR": str(scratch)})
    assert result.code == 1
    assert Told.of(result.stderr).once(
        "Kick.wav", "drums/Snare ü.wav", "pair L.wav", "pair R.wav", "Silence.wav", "Torn.wav"
    )
    assert other.settled() == plain.settled()
    assert (drafts(other), list(scratch.iterdir()), tree(other.inbox)) == ([], [], before)
    copies = {name: found for name, found in tree(other.outbox).items() if not name.startswith("report.")}
    assert other.stage().code == 1
    assert {name: found for name, found in tree(other.outbox).items() if not name.startswith("report.")} == copies


def test_a_scheduler_elsewhere_gives_the_same(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """Two workers of a scheduler that is there already leave what a plain run leaves, as often as it is asked."""
    plain, other = pair
    with cluster(tmp_path / "cluster") as made:
        first = other.outcomes("--cluster", made.address)
        again = other.outcomes("--cluster", made.address, "--again", "--jobs", "1")
    assert {name: found.get("refused") for name, found in first.items()} == {
        name: "unreadable" if name == "Torn.wav" else None for name in first
    }
    assert first.keys() == again.keys()
    assert other.settled() == plain.settled()
    assert drafts(other) == []


def test_plugins_run_with_workers_too(make_song: SongMaker, tmp_path: Path) -> None:
    """A rule in a file of the project and a step of ours give on a cluster what they give here."""
    rule = '[[plugin]]\nfile = "own.py"\n[target]\nrule = "aim"\n'
    toml = f'{rule}[[step]]\nuse = "high_pass"\nmatch = ["*"]\ncutoff_hz = 80.0\n'
    plain, other = (make_song(toml, name) for name in ("plain", "other"))
    for song in (plain, other):
        (song.folder / "own.py").write_text((Path(__file__).parent.parent / "support" / "own_plugins.py").read_text())
        for number in range(3):
            song.put(f"{number}.wav", sine(100 + 50 * number, -20.0, 1.0))
    assert plain.stage().code == 0
    with cluster(tmp_path / "cluster") as made:
        assert other.stage("--cluster", made.address).code == 0
    assert other.settled() == plain.settled()
    assert other.sidecar("0.wav")["steps"][0]["name"] == "high_pass"
    assert drafts(other) == []


def test_a_worker_dies_in_the_middle(long_pair: tuple[Song, Song], tmp_path: Path) -> None:
    """A worker ended by SIGKILL with a stem at work: another one does it, and each stem is told once."""
    plain, other = long_pair
    before = tree(other.inbox)
    with cluster(tmp_path / "cluster", workers=1) as made:
        victim, log = made.work(), tmp_path / "log"
        with other.stager.started("stage", other.folder, "--cluster", made.address, log=log) as process:
            wait_for(lambda: at_work(other))
            victim.kill()
            assert process.wait(HUNG_S) == 0
    assert Told.of(log.read_text()).once(*(f"Part {number:02}.wav" for number in range(MANY)))
    assert other.settled() == plain.settled()
    assert (drafts(other), tree(other.inbox)) == ([], before)


def test_a_scheduler_dies_in_the_middle(long_pair: tuple[Song, Song], tmp_path: Path) -> None:
    """The scheduler ended by SIGKILL: one clear error, what has its name is whole, and the next run does the rest."""
    plain, other = long_pair
    log = tmp_path / "log"
    with cluster(tmp_path / "cluster") as made:
        with other.stager.started("stage", other.folder, "--cluster", made.address, log=log) as process:
            wait_for(lambda: list(other.outbox.glob("*.json")))
            made.scheduler.kill()
            assert process.wait(HUNG_S) == 2
        said = log.read_text()
        assert [line for line in said.splitlines() if line.startswith("stager: ")] == [
            f"stager: {made.address}: expected the scheduler to stay, found that it went away"
        ]
        assert "Traceback" not in said
        assert wrongs(other, copies_in(plain.settled())) == []
        assert len(other.settled()) < len(plain.settled())
    assert other.stage().code == 0
    assert other.settled() == plain.settled()
    assert drafts(other) == []


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["SIGINT", "SIGTERM"])
def test_stopped_from_the_terminal(
    long_pair: tuple[Song, Song], tmp_path: Path, number: signal.Signals, code: int
) -> None:
    """A signal to the whole group, as a terminal sends it, ends all processes; none of them listened to a network."""
    plain, other = long_pair
    scratch, log = tmp_path / "scratch", tmp_path / "log"
    scratch.mkdir()
    line = other.stager.line("stage", other.folder, "--cluster", "local", "--jobs", "2")
    with log.open("wb") as out:
        process = subprocess.Popen(
            line, stdout=out, stderr=out, env={**os.environ, "TMPDIR": str(scratch)}, start_new_session=True
        )
    wait_for(lambda: at_work(other))
    found = listens_at([process.pid, *of_session(process.pid)])
    os.killpg(process.pid, number)
    assert process.wait(HUNG_S) == code
    assert found == {"0100007F"}  # 127.0.0.1, the bytes in the order of the machine
    wait_for(lambda: not of_session(process.pid))
    assert "Traceback" not in log.read_text()
    assert (drafts(other), list(scratch.iterdir())) == ([], [])
    assert wrongs(other, copies_in(plain.settled())) == []
    assert other.stage().code == 0
    assert other.settled() == plain.settled()


def test_a_worker_with_another_stager(song: Song, tmp_path: Path) -> None:
    """A worker that runs another version is found before anything is staged."""
    song.put("Part.wav", sine(440, -30.0, 1.0))
    package = tmp_path / "older" / "stager"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text('__version__ = "0.0.1"\n')
    with cluster(tmp_path / "cluster", workers=0) as made:
        made.work(PYTHONPATH=str(package.parent))
        result = song.stage("--cluster", made.address)
    assert result.code == 2
    assert "expected a worker with stager" in result.stderr
    assert song.outbox_names() == set()


WRONG = {
    "nobody there": (("--cluster", "tcp://127.0.0.1:9"), "expected a scheduler to answer within"),
    "no address": (("--cluster", "nowhere"), "expected 'local', or a scheduler's address"),
    "nothing to write": (("--cluster", "local", "--dry-run"), "expected --cluster or --dry-run, found both"),
}


@pytest.mark.parametrize(("args", "says"), WRONG.values(), ids=WRONG.keys())
def test_no_cluster(song: Song, args: tuple[str, ...], says: str) -> None:
    """Where the workers can't be had, one line says so, and nothing is staged."""
    song.put("Part.wav", sine(440, -30.0, 1.0))
    result = song.stage(*args)
    assert result.code == 2
    assert [line for line in result.stderr.splitlines() if says in line] == result.stderr.splitlines()
    assert song.outbox_names() == set()


def test_without_the_extra(song: Song, tmp_path: Path) -> None:
    """Where the library isn't installed, the words say what to install."""
    (tmp_path / "distributed.py").write_text('raise ModuleNotFoundError("no", name="distributed")\n')
    result = song.stager("stage", song.folder, "--cluster", "local", env={"PYTHONPATH": str(tmp_path)})
    assert result.code == 2
    assert result.stderr == (
        "stager: --cluster needs distributed, which is not installed. In the clone: pipx install --force '.[cluster]', "
        "or in its virtual environment: pip install '.[cluster]'\n"
    )


def test_help_waits_for_no_cluster(stager: Command) -> None:
    """Neither help nor a plain run loads the cluster's library (python -X importtime lists what is loaded)."""
    for args in (("stage", "--help"), ("stage", "/nowhere")):
        line = [sys.executable, "-X", "importtime", *map(str, stager.line(*args))]
        done = subprocess.run(line, capture_output=True, text=True, timeout=HUNG_S, check=False)
        assert "stager.cli" in done.stderr
        assert not {"distributed", "dask"} & {row.rpartition("|")[2].strip() for row in done.stderr.splitlines()}
