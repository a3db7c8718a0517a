"""`stager mix`: can this bounce be released? Judges finished mixes; nothing is changed."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stager.analysis.mix import examine_mix
from stager.cli.exits import Exit, FailOn
from stager.cli.screen import print_json, say_tracebacks
from stager.errors import StemError, internal_errors
from stager.model import Refused, Verdict
from stager.model.mix import MIX_SCHEMA, Mix
from stager.report import figure, outcome_data
from stager.system.printable import on_screen, shown

WIDTH: Final = 80
WORDS: Final = {Verdict.USABLE: "usable", Verdict.LISTEN: "LISTEN", Verdict.BOUNCE_AGAIN: "BOUNCE AGAIN"}
FINDING_WORDS: Final = {**WORDS, Verdict.USABLE: "to know"}


def run(*, files: Sequence[Path], fail_on: FailOn | None, with_coding: bool, as_json: bool) -> Exit:
    """Judge each mix and print what was found; several stand side by side at the end."""
    entries = [_entry(path, with_coding=with_coding) for path in files]
    mixes = [entry.mix for entry in entries]
    if as_json:
        print_json({"schema": MIX_SCHEMA, "mixes": [entry.data for entry in entries]})
    else:
        print("\n\n".join(entry.text for entry in entries))
        if len(mixes) > 1:
            print("\n" + "\n".join(_side_by_side([mix for mix in mixes if isinstance(mix, Mix)])))
    say_tracebacks(mix.traceback for mix in mixes if isinstance(mix, Refused))
    return Exit.SOME if any(_fails(mix, fail_on) for mix in mixes) else Exit.DONE


@dataclass(frozen=True)
class _Entry:
    """One mix, and what is printed of it, as data and as text."""

    mix: Mix | Refused
    data: dict[str, Any]
    text: str


def _entry(path: Path, *, with_coding: bool) -> _Entry:
    try:
        with internal_errors(shown(path)):
            mix = examine_mix(path, with_coding=with_coding)
            return _Entry(mix, mix.model_dump(mode="json"), "\n".join(_lines(mix)))
    except StemError as error:
        refused = Refused(shown(path), shown(path), error.code, error.says, error.traceback)
        says = _wrapped(f"{refused.stem}: REFUSED, {refused.refused}: {refused.says}")
        return _Entry(refused, outcome_data(refused), "\n".join(says))


def _fails(mix: Mix | Refused, fail_on: FailOn | None) -> bool:
    if isinstance(mix, Refused) or any(finding.code == "corrupt" for finding in mix.findings):
        return True
    return fail_on is not None and mix.verdict.severity >= Verdict(fail_on.value).severity


def _lines(mix: Mix) -> Iterator[str]:
    yield from _wrapped(f"{mix.source.path}: {WORDS[mix.verdict]}")
    yield from _wrapped(mix.advice.says, "  ")
    for finding in mix.findings:
        yield from _wrapped(f"{FINDING_WORDS[finding.verdict]}: {finding.says}", "  ")
    yield ""
    yield from _level_lines(mix)
    yield from _delivery_lines(mix)
    yield from _coded_lines(mix)
    yield from _band_lines(mix)


def _level_lines(mix: Mix) -> Iterator[str]:
    levels = mix.levels
    yield (
        f"  loudness {figure(levels.loudness_lufs)} LUFS integrated, range {figure(levels.loudness_range_lu)} LU, "
        f"short-term at most {figure(levels.loudness_short_term_max_lufs)}"
    )
    yield (
        f"  true peak {figure(levels.true_peak_dbtp, 2)} dBTP, sample peak {figure(levels.sample_peak_dbfs, 2)} dBFS, "
        f"true peak over loudness {figure(mix.figures.plr_db)} dB"
    )
    ends = mix.figures.ends
    yield f"  silence {ends.silence_before_s:.2f} s before and {ends.silence_after_s:.2f} s after (under -60 dBFS)"


def _delivery_lines(mix: Mix) -> Iterator[str]:
    yield "\n  held against                        target        loudness    true peak"
    for result in mix.delivery:
        target = result.target
        aims = f"{figure(target.loudness_lufs, 0)} LUFS, {target.true_peak_dbtp:g} dBTP"
        over = figure(result.loudness_over_lu, signed=True), figure(result.true_peak_over_db, signed=True)
        yield f"  {target.name:<31} {aims:>17}  {over[0]:>7} LU  {over[1]:>7} dB"
    yield from _wrapped(
        "Services turn a louder mix down by themselves; only the peak needs your hand. Values: AES TD1008 and EBU R "
        "128, as `stager explain delivery` says.",
        "  ",
    )


def _coded_lines(mix: Mix) -> Iterator[str]:
    if mix.figures.coded:
        yield "\n  after lossy coding      kbit/s   true peak   over full scale    lower by"
    for each in mix.figures.coded:
        peak = figure(each.true_peak_dbtp, 2)
        yield f"  {each.codec:<20} {each.kbit_s:>9.0f} {peak:>6} dBTP {each.overs:>10} samples {each.lower_db:>8.1f} dB"
    for missing in mix.figures.missing_codecs:
        yield from _wrapped(missing.says, "  ")


def _band_lines(mix: Mix) -> Iterator[str]:
    yield "\n  band                     share of energy   lost in mono"
    for band in mix.figures.bands:
        name = f"{band.from_hz:g} to {band.to_hz:g} Hz"
        loss = figure(band.mono_loss_db if band.share else None, signed=True)
        yield f"  {name:<24} {100.0 * band.share:>13.2f} % {loss:>11} dB"


def _side_by_side(mixes: Sequence[Mix]) -> Iterator[str]:
    yield f"{'side by side':<34} {'LUFS':>7} {'dBTP':>7} {'Hz':>7} {'length':>8} {'silence':>11}"
    loudest = max((mix.levels.loudness_lufs for mix in mixes if mix.levels.loudness_lufs is not None), default=None)
    for mix in mixes:
        levels, source, ends = mix.levels, mix.source, mix.figures.ends
        minutes, seconds = divmod(round(source.duration_s), 60)
        gap = f"{ends.silence_before_s:.1f} + {ends.silence_after_s:.1f} s"
        name = source.path if len(source.path) <= 34 else f"…{source.path[-33:]}"
        yield on_screen(
            f"{name:<34} {figure(levels.loudness_lufs):>7} {figure(levels.true_peak_dbtp):>7} "
            f"{source.sample_rate_hz:>7} {minutes:>5}:{seconds:02} {gap:>11}"
        )
    if loudest is not None:
        yield from _wrapped(
            "As an album, AES TD1008 brings the loudest track to -14 LUFS and all others by the same change: here by "
            f"{-14.0 - loudest:+.1f} dB; it is done by the service, not by you."
        )


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(on_screen(text), WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
