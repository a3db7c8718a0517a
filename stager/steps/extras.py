"""Plug-ins that say something about a stem: meters, checks, rules. What they say is looked at before it is believed."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from math import isfinite
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar, cast

from pydantic import ValidationError

from stager.errors import StepFailed
from stager.model import Finding, Levels, PluginUse
from stager.steps.catalogue import own_plugin
from stager.steps.isolation import Worker, worker
from stager.steps.kinds import Check, Meter, Rule, Samples, Stream, Wanted
from stager.steps.running import Source, Work
from stager.steps.wire import packed

MOST_GAIN_DB: Final = 200.0
"""A rule that asks for more is in error: 24 bits span 144 dB (own figure)."""


FoundOf = dict[str, list[Finding]]
"""What a check says of each stem of a set, by name."""
T = TypeVar("T")


class _Told(Protocol):
    """A meter at work, here or in a worker."""

    def update(self, block: Samples) -> None:
        """Take in a block."""

    def result(self) -> Mapping[str, float | None]:
        """Give the figures."""


class _RemoteMeter:
    def __init__(self, process: Worker, use: PluginUse, stream: Stream) -> None:
        self._process = process
        process.ask("open", settings=use.settings, stream=[stream.sample_rate_hz, stream.channels, stream.frames])

    def update(self, block: Samples) -> None:
        """Take in a block."""
        self._process.ask("update", packed(block))

    def result(self) -> Mapping[str, float | None]:
        """Give the figures."""
        return self._process.ask("result")[0]["figures"]  # type: ignore[no-any-return]


def extra_figures(work: Work, stream: Stream, source: Source) -> dict[str, float | None]:
    """Feed meters in one pass; gives their figures as `meter.figure`.

    Raises:
        StepFailed: where a meter fails, or gives what is no figure.
    """
    figures: dict[str, float | None] = {}
    with ExitStack() as stack:
        meters = [(use, stack.enter_context(_meter(work, use, stream))) for use in work.uses]
        for block in source() if meters else ():
            for _, meter in meters:
                meter.update(block)
        for use, meter in meters:
            for name, figure in meter.result().items():
                if figure is not None and not isfinite(figure):
                    raise StepFailed(f"{work.label(use)}: its {name} is no figure, found {figure}")
                figures[f"{use.source.name}.{name}"] = figure
    return figures


@contextmanager
def _meter(work: Work, use: PluginUse, stream: Stream) -> Iterator[_Told]:
    if use.source.own:
        plugin = cast("type[Meter]", own_plugin(use.source))
        yield plugin(plugin.settings.model_validate(use.settings), stream)
    else:
        with worker(use.source, work.folder, work.label(use), work.limits) as process:
            yield _RemoteMeter(process, use, stream)


def check_findings(work: Work, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
    """Ask checks about a stem.

    Raises:
        StepFailed: where a check fails, or gives what is no finding.
    """
    return [finding for use in work.uses for finding in _of_check(work, use, levels, others)]


def set_findings(use: PluginUse, levels: Mapping[str, Levels], stems: Sequence[str], folder: Path) -> FoundOf:
    """Ask one check about these stems of a set, each with the levels of all others; gives the findings by stem.

    Raises:
        StepFailed: where the check fails, or gives what is no finding.
    """
    if use.source.own:
        return {
            stem: _own_findings(Work(stem, (use,), folder), use, levels[stem], _but(levels, stem)) for stem in stems
        }
    first = Work(stems[0], (use,), folder)
    with worker(use.source, folder, first.label(use), first.limits) as process:
        return {stem: _asked_findings(process, Work(stem, (use,), folder), use, levels) for stem in stems}


def _of_check(work: Work, use: PluginUse, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
    if use.source.own:
        return _own_findings(work, use, levels, others)
    with worker(use.source, work.folder, work.label(use), work.limits) as process:
        return _asked_findings(process, work, use, {**others, work.stem: levels})


def _own_findings(work: Work, use: PluginUse, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
    plugin = cast("type[Check]", own_plugin(use.source))
    return plugin(plugin.settings.model_validate(use.settings)).findings(work.stem, levels, others)


def _asked_findings(process: Worker, work: Work, use: PluginUse, levels: Mapping[str, Levels]) -> list[Finding]:
    """Ask a check in its process about one stem of these; what it says is looked at."""
    plain = {stem: _plain(one) for stem, one in levels.items()}
    process.ask("open", settings=use.settings)
    levels_of_others = _but(plain, work.stem)
    told, _ = process.ask("findings", stem=work.stem, levels=plain[work.stem], others=levels_of_others)
    try:
        found = [Finding.model_validate_json(json.dumps(finding)) for finding in told["findings"]]
    except (ValidationError, KeyError, TypeError) as error:
        raise StepFailed(f"{work.label(use)}: gave what is no finding") from error
    if strange := [finding.code for finding in found if finding.code not in use.source.codes]:
        known = ", ".join(use.source.codes)
        raise StepFailed(
            f"{work.label(use)}: expected findings with a code that it declares ({known}), found {strange[0]}"
        )
    return found


def _but(named: Mapping[str, T], name: str) -> dict[str, T]:
    return {each: one for each, one in named.items() if each != name}


def rule_wants(work: Work, levels: Levels) -> tuple[str, Wanted] | None:
    """Ask the rule that is used for a stem; gives its name and what it wants, None where there is no rule.

    Raises:
        StepFailed: where it fails, or asks for what is no gain.
    """
    if not work.uses:
        return None
    use = work.uses[0]
    if use.source.own:
        plugin = cast("type[Rule]", own_plugin(use.source))
        wanted = plugin(plugin.settings.model_validate(use.settings)).wanted(levels)
    else:
        told = _answer(work, use, "wanted", levels=_plain(levels))
        wanted = Wanted(float(told["gain_db"]), str(told["because"]))
    if not abs(wanted.gain_db) <= MOST_GAIN_DB:
        raise StepFailed(f"{work.label(use)}: expected a gain in dB, found {wanted.gain_db}")
    return use.source.name, wanted


def _answer(work: Work, use: PluginUse, do: str, **asked: Any) -> dict[str, Any]:  # noqa: ANN401
    with worker(use.source, work.folder, work.label(use), work.limits) as process:
        process.ask("open", settings=use.settings)
        return process.ask(do, **asked)[0]


def _plain(levels: Levels) -> dict[str, Any]:
    return levels.model_dump(mode="json")
