"""`stager measure`: levels and findings of any audio file, no project needed."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stager.api import MeasuredFile, measure
from stager.cli.exits import Exit, FailOn, ReferenceName
from stager.cli.screen import fails, print_json, say, say_tracebacks
from stager.errors import StemError, internal_errors
from stager.judge import balance_words
from stager.judge.condition import has_no_pause
from stager.model import Refused
from stager.project.inbox import audio_files_below
from stager.report import FINDING_WORDS, Row, convention, figure, rows_text
from stager.system.files import is_folder
from stager.system.printable import shown

COLUMNS: Final = ("file", "average", "loudness", "peak", "true peak", "crest", "noise")


@dataclass(frozen=True)
class _Entry:
    """What is printed of one file, as data and as a row; `is_bad` where the exit status says so."""

    data: dict[str, Any]
    row: Row
    is_bad: bool
    traceback: str = ""


def run(*, files: Sequence[Path], reference: ReferenceName, fail_on: FailOn | None, as_json: bool) -> Exit:
    """Measure each file and print what was found."""
    found = [inner for path in files for inner in _files_of(path)]
    if not found:
        say("Nothing to measure: no audio file lies there.")
    folder = _common_folder(files)
    entries = [_entry(path, reference, fail_on, folder) for path in found]
    if as_json:
        print_json({"schema": "stager/measure/1", "stems": [entry.data for entry in entries]})
    elif entries:
        _print([entry.row for entry in entries], reference, folder)
    say_tracebacks(entry.traceback for entry in entries)
    return Exit.SOME if any(entry.is_bad for entry in entries) else Exit.DONE


def _files_of(path: Path) -> list[Path]:
    """Return the audio files below a folder, or the file itself."""
    return [path / name for name in audio_files_below(path)] if is_folder(path) else [path]


def _common_folder(files: Sequence[Path]) -> str:
    """Return the folder that the table leaves out of names: the one folder that was asked for, or none."""
    return f"{shown(files[0])}/" if len(files) == 1 and is_folder(files[0]) else ""


def _entry(path: Path, reference: ReferenceName, fail_on: FailOn | None, folder: str) -> _Entry:
    """Return what is printed of a file: what was measured, or why it was not; names without `folder`."""
    name = shown(path)
    try:
        with internal_errors(name):
            stem = measure(path, reference=reference.value)
            is_bad = stem.is_corrupt or fails(stem.verdict, fail_on)
            return _Entry(stem.to_data(), _row(stem, folder), is_bad=is_bad)
    except StemError as error:
        refused = Refused(name, name, error.code, error.says, error.traceback)
        row = Row((name.removeprefix(folder), *[""] * (len(COLUMNS) - 1)), (f"REFUSED, {error.code}: {error.says}",))
        return _Entry(refused.to_data(), row, is_bad=True, traceback=error.traceback)


def _print(rows: Sequence[Row], reference: ReferenceName, folder: str) -> None:
    if folder:
        print(f"In {folder}")
    print(rows_text(COLUMNS, rows, left=1))
    print(f"\naverage: dBFS RMS while the part plays ({convention(reference.value)});")
    print("loudness: LUFS, integrated; peak: dBFS; true peak: dBTP; crest: dB, sample peak over")
    print("the RMS of the whole file, pauses included (a sine has 3.0);")
    print("noise: dBFS RMS in pauses, or under a part without any, in the same convention.")
    print("A dash: nothing to measure.")


def _row(stem: MeasuredFile, folder: str) -> Row:
    levels = stem.levels
    cells = (
        stem.source.path.removeprefix(folder),
        figure(levels.average_dbfs, 2),
        figure(levels.loudness_lufs, 2),
        figure(levels.sample_peak_dbfs, 2),
        figure(levels.true_peak_dbtp, 2),
        figure(levels.crest_db),
        figure(levels.noise_floor_dbfs),
    )
    notes = [f"{FINDING_WORDS[finding.verdict]}: {finding.says}" for finding in stem.findings]
    balance = balance_words(levels.side_balance_db)
    notes += [f"balance: {balance}"] if balance else []
    notes += ["noise: no pause to judge noise by"] if has_no_pause(levels) else []
    notes += [f"next take: {stem.advice.says}"] if stem.advice else []
    return Row(cells, tuple(notes))
