"""Files with valid audio under headers that lie: staged as another reader hears them, or refused.

Source: libsndfile (through soundfile), scipy's reader of WAVE files where that one refuses, and sox where it is
installed. Files are made by a seeded generator, many to a run of the command, several runs at once with `--jobs`.
"""

import multiprocessing
import subprocess
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from shutil import rmtree
from typing import Any, Final

from tests.prove.lies_draft import Draft
from tests.prove.lies_files import made
from tests.prove.lies_readers import ALONE, SOX, agreement
from tests.prove.proof import Proof, ProofContext
from tests.support.command import Command
from tests.support.song import Song

FILES, SHORT_FILES, A_RUN = 200_000, 2_000, 1_000
VERIFIED_RUNS: Final = 10
"""Of so many runs one is verified too."""
FAULTY: Final = ("internal_error", "copy_wrong")
SHOWN_FAULTS: Final = 8
TOML: Final = '[project]\nname = "Lies"\nsettle_s = 0.0\ninclude = ["*"]\n'


@dataclass
class Tally:
    """What became of the files, by refusal code or `staged`; which reader agreed; what went wrong, a line each."""

    codes: Counter[str] = field(default_factory=Counter)
    readers: Counter[str] = field(default_factory=Counter)
    split: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """Take in another's."""
        self.codes += other.codes
        self.readers += other.readers
        self.split += other.split
        self.faults += other.faults


def stage_range(folder: Path, first: int, count: int) -> Tally:
    """Make these files in a folder of their own, stage them in one run, compare each copy; the folder is gone after."""
    verified = first // A_RUN % VERIFIED_RUNS == 0
    return stage_files(folder / f"{first:06}", range(first, first + count), verified=verified)


def stage_files(folder: Path, numbers: Sequence[int], *, verified: bool) -> Tally:
    """Make the files of these numbers in this folder, as `stage_range` does."""
    song = Song.made(Command(), folder, TOML)
    files = dict(made(number) for number in numbers)
    contents = {name: draft.content() for name, draft in files.items()}
    for name, content in contents.items():
        (song.inbox / name).write_bytes(content)
        song.rest(name, 10.0)
    try:
        return _compared(song, files, contents, verified=verified)
    except subprocess.TimeoutExpired:
        return Tally(faults=[f"{numbers[0]} to {numbers[-1]}: hangs"])
    finally:
        rmtree(song.folder)


def _compared(song: Song, files: dict[str, Draft], contents: dict[str, bytes], *, verified: bool) -> Tally:
    """Stage a song and judge every outcome."""
    tally, span = Tally(), f"{min(files)} to {max(files)}"
    result = song.stager("stage", song.folder, "--json", "--jobs", "1")
    outcomes = result.json()["outcomes"] if result.code in (0, 1) else []
    if {outcome["stem"] for outcome in outcomes} != set(files) or "Traceback" in result.stderr:
        tally.faults.append(f"{span}: exit {result.code}, {len(outcomes)} outcomes: {result.stderr[-300:]}")
    changed = [name for name, content in contents.items() if (song.inbox / name).read_bytes() != content]
    tally.faults += [f"{name}: the original was changed" for name in changed]
    if verified and song.stager("verify", song.folder).code != 0:
        tally.faults.append(f"{span}: verify finds differences")
    for outcome in outcomes:
        _judge(tally, song, files[outcome["stem"]], outcome)
    return tally


def _judge(tally: Tally, song: Song, draft: Draft, outcome: dict[str, Any]) -> None:
    """Count one outcome, and compare the copy of a staged file."""
    name, code = outcome["stem"], outcome.get("refused")
    tally.codes[code or "staged"] += 1
    if code in FAULTY:
        tally.faults.append(f"{name}: {outcome['says']}")
    if code is None:
        agrees, says = agreement(song.inbox / name, song.outbox / name, draft, outcome)
        if agrees:
            tally.readers[says] += 1
        else:
            tally.faults.append(f"{name}: {says}")


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Make, stage and compare all of them, a thousand to a run of the command."""
    stage_range(bench.folder, 0, 10)  # compiles the sample loops once
    tally, count = Tally(), bench.files or (SHORT_FILES if bench.short else FILES)
    starts = range(bench.first, bench.first + count, A_RUN)
    counts = [min(A_RUN, starts.stop - start) for start in starts]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(bench.jobs, context) as pool:
        for found in pool.map(stage_range, [bench.folder] * len(starts), starts, counts):
            tally.add(found)
    yield from _proofs(tally, count)


def _proofs(tally: Tally, count: int) -> Iterator[Proof]:
    total, staged, faults = sum(tally.codes.values()), tally.codes["staged"], tally.faults
    source = f"libsndfile, scipy, {'sox' if SOX else 'no sox here'}"
    shown = "; ".join(faults[:SHOWN_FAULTS])
    figure = f"{staged:,} staged, {len(faults)} faults {shown}".strip()
    yield Proof(f"{total:,} lying files: no crash, hang or disputed copy", source, "0 of all", figure, not faults)
    yield Proof("each has one outcome", "the generator", f"{count:,}", f"{total:,}", total == count)
    yield Proof(
        "of these, staged", "the generator", "a fifth at least", f"{staged / max(1, total):.0%}", staged >= 0.2 * total
    )
    unheard = tally.readers[ALONE]
    bound = "2 % of the staged at most"
    yield Proof("staged, opened by no other reader as they are", ALONE, bound, f"{unheard:,}", unheard <= 0.02 * staged)
    told = ", ".join(f"{name} {count:,}" for name, count in tally.readers.most_common())
    yield Proof("who agrees with the copies", source, "no bound", told, ok=True)
    told = ", ".join(f"{name} {count:,}" for name, count in tally.codes.most_common())
    yield Proof("what became of the files", "the generator", "no bound", told, ok=True)
