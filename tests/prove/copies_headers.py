"""Headers with random damage, in every container: always a correct read or one refusal, never a crash or a hang.

Source: the promise that any file at all gets a refusal code or a reading; files are made by struct or libsndfile and
then damaged by a seeded generator, in processes of their own.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.roundtrip.originals import originals
from tests.support import foreign_files, layouts
from tests.support.signals import sine
from tests.support.wavefile import PCM_16

TRIES, CHILDREN = 100_000, 10
HUNG_S: Final = 30
"""What counts as a hang, for one file."""
GROWTH_MB: Final = 50.0
FOREIGN: Final = {
    "aif": ("AIFF", "PCM_24"),
    "f.aif": ("AIFF", "FLOAT"),
    "caf": ("CAF", "PCM_16"),
    "f.caf": ("CAF", "DOUBLE"),
    "flac": ("FLAC", "PCM_24"),
}

CHILD = """
import json, resource, signal, sys
from pathlib import Path
from random import Random

from stager.containers import open_audio
from stager.errors import StemError

folder, first, count, hung_s = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
bases = [(path.suffix, path.read_bytes()) for path in sorted((folder / "bases").iterdir())]
place = folder / f"{first}.bin"
SIZES = tuple(bytes.fromhex(text) for text in ("00000000", "ffffffff", "7fffffff", "feffffff", "ffffff7f"))

def mutated(content, random):
    head = bytearray(content[:512])
    for _ in range(random.choice((1, 1, 2, 3, 8))):
        at = random.randrange(len(head))
        how = random.randrange(6)
        if how == 0:
            head[at] ^= 1 << random.randrange(8)
        elif how == 1:
            head[at] = random.choice((0, 1, 0x7F, 0x80, 0xFF))
        elif how == 2:
            head[at : at + 4] = random.choice(SIZES)
        elif how == 3:
            head[at : at + 4] = random.randbytes(4)
        elif how == 4:
            del head[at : at + random.randrange(1, 9)]
        else:
            head[at:at] = head[random.randrange(len(head)) :][: random.randrange(1, 24)]
    whole = bytes(head) + content[512:]
    return whole[: random.randrange(len(whole))] if random.random() < 0.1 else whole

def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6

def read(content):
    place.write_bytes(content)
    signal.alarm(hung_s)
    try:
        with open_audio(place, settle_s=0.0) as source:
            frames = sum(len(block) for block in source.blocks())
            return "read" if frames == source.info.frames else f"{frames} of {source.info.frames} frames"
    except StemError as error:
        return "refused" if str(error) and error.code else "a refusal without a word"
    finally:
        signal.alarm(0)

for _, content in bases:
    assert read(content) == "read"
idle = peak_mb()
counts, wrong = {}, []
for number in range(first, first + count):
    random = Random(number)
    suffix, content = random.choice(bases)
    try:
        result = read(mutated(content, random))
    except Exception as error:
        result = f"{type(error).__name__}: {error}"
    kind = result if result in ("read", "refused") else "wrong"
    counts[kind] = counts.get(kind, 0) + 1
    if result not in ("read", "refused"):
        wrong.append((number, suffix, result))
place.unlink(missing_ok=True)
print(json.dumps({"counts": counts, "wrong": wrong[:20], "growth_mb": peak_mb() - idle}))
"""
"""Reads damaged files and tells what came of each; an alarm that is not caught ends the process, which counts."""


def _bases(folder: Path) -> None:
    """Write one sound file of each kind."""
    folder.mkdir(parents=True)
    small = np.column_stack((sine(440, -20.0, 0.02), sine(550, -20.0, 0.02)))
    for name, (form, subtype) in FOREIGN.items():
        (folder / f"{form}_{subtype}.{name}").write_bytes(foreign_files.written(small, form, subtype))
    for name, original in originals().items():
        if len(original.content) < 1_000_000:
            (folder / name).write_bytes(original.content)
    (folder / "small.w64").write_bytes(layouts.w64(small, PCM_16))


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Damage and read, a tenth of all in each process."""
    _bases(bench.folder / "bases")
    each = bench.count(TRIES) // CHILDREN
    counts: dict[str, int] = {}
    growth, faults = 0.0, []
    for child in range(CHILDREN):
        line = [sys.executable, "-c", CHILD, str(bench.folder), str(child * each), str(each), str(HUNG_S)]
        done = subprocess.run(line, capture_output=True, timeout=each, check=False)
        if done.returncode:
            faults.append(f"process {child} ended with {done.returncode}")
            continue
        told = json.loads(done.stdout.splitlines()[-1])
        growth = max(growth, told["growth_mb"])
        faults += [f"{number} ({suffix}): {says}" for number, suffix, says in told["wrong"]]
        for result, count in told["counts"].items():
            counts[result] = counts.get(result, 0) + count
    for fault in faults[:20]:
        print(f"      {fault}", file=sys.stderr)
    total = CHILDREN * each
    claim = f"{total} damaged headers, all containers"
    figure = f"{counts.get('read', 0)} read, {counts.get('refused', 0)} refused"
    ended_well = not faults and counts.get("read", 0) + counts.get("refused", 0) == total
    yield Proof(claim, "own promise", "all read or refused", figure, ended_well and len(counts) == 2)
    yield Proof(
        f"{claim}, memory", "the system (ru_maxrss)", f"under {GROWTH_MB:g} MB", f"{growth:.1f} MB", growth < GROWTH_MB
    )
