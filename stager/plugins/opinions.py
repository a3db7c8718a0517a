"""Asks meters, checks and rules about a stem, and checks their answers before they are used."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from math import isfinite
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar, cast

from pydantic import ValidationError

from stager.model import Finding, Levels, PluginUse
from stager.plugins.chain import Source, Work
from stager.plugins.describing import own_plugin
from stager.plugins.isolation import Worker
from stager.plugins.kinds import Check, Meter, Rule, Samples, Stream, Wanted
from stager.plugins.packing import packed

MOST_GAIN_DB: Final = 200.0
"""A rule that asks for more is in error: 24 bits span 144 dB (own figure)."""


FoundOf = dict[str, list[Finding]]
"""The findings of a check, by stem."""
T = TypeVar("T")


class _RunningMeter(Protocol):
    """A meter that runs on one stem, in this process or in a worker."""

    def update(self, block: Samples) -> None:
        """Take in a block."""

    def result(self) -> Mapping[str, float | None]:
        """Return the figures."""


class _RemoteMeter:
    def __init__(self, process: Worker, use: PluginUse, stream: Stream) -> None:
        self._process = process
        process.ask("open", settings=use.settings, stream=[stream.sample_rate_hz, stream.channels, stream.frames])

    def update(self, block: Samples) -> None:
        """Take in a block."""
        self._process.ask("update", packed(block))

    def result(self) -> Mapping[str, float | None]:
        """Return the figures."""
        return self._process.ask("result")[0]["figures"]  # type: ignore[no-any-return]


def extra_figures(work: Work, stream: Stream, source: Source) -> dict[str, float | None]:
    """Feed all meters in one pass and return their figures as `meter.figure`.

    Raises:
        StepFailed: where a meter fails, or returns no finite figure.
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
                    raise work.label(use).failed(f"its {name} is no figure, found {figure}")
                figures[f"{use.source.name}.{name}"] = figure
    return figures


@contextmanager
def _meter(work: Work, use: PluginUse, stream: Stream) -> Iterator[_RunningMeter]:
    if use.source.own:
        plugin = cast("type[Meter]", own_plugin(use.source))
        yield plugin(plugin.settings.model_validate(use.settings), stream)
    else:
        with work.process(use) as process:
            yield _RemoteMeter(process, use, stream)


def check_findings(work: Work, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
    """Return the findings of all checks about a stem.

    Raises:
        StepFailed: where a check fails, or returns no valid finding.
    """
    named = {**others, work.stem: levels}
    return [finding for use in work.uses for finding in _of_check([work], use, named)[work.stem]]


def set_findings(use: PluginUse, levels: Mapping[str, Levels], stems: Sequence[str], folder: Path) -> FoundOf:
    """Return one check's findings by stem; for each stem it gets the levels of all others in the set.

    Raises:
        StepFailed: where the check fails, or returns no valid finding.
    """
    return _of_check([Work(stem, (use,), folder) for stem in stems], use, levels)


def _of_check(works: Sequence[Work], use: PluginUse, levels: Mapping[str, Levels]) -> FoundOf:
    """Return one check's findings by stem; all stems are put to one worker process."""
    if use.source.own:
        return {work.stem: _own_findings(work.stem, use, levels) for work in works}
    with works[0].process(use) as process:
        return {work.stem: _remote_findings(process, work, use, levels) for work in works}


def _own_findings(stem: str, use: PluginUse, levels: Mapping[str, Levels]) -> list[Finding]:
    plugin = cast("type[Check]", own_plugin(use.source))
    return plugin(plugin.settings.model_validate(use.settings)).findings(stem, levels[stem], _but(levels, stem))


def _remote_findings(process: Worker, work: Work, use: PluginUse, levels: Mapping[str, Levels]) -> list[Finding]:
    """Return the findings of a check in its worker about one stem, once their shape and codes are checked."""
    plain = {stem: _plain(one) for stem, one in levels.items()}
    others = _but(plain, work.stem)
    answer = _answer(process, use, "findings", stem=work.stem, levels=plain[work.stem], others=others)
    try:
        found = [Finding.model_validate_json(json.dumps(finding)) for finding in answer["findings"]]
    except (ValidationError, KeyError, TypeError) as error:
        raise work.label(use).failed("returned what is no finding") from error
    if undeclared := [finding.code for finding in found if finding.code not in use.source.codes]:
        known = ", ".join(use.source.codes)
        raise work.label(use).failed(f"expected findings with a code that it declares ({known}), found {undeclared[0]}")
    return found


def _but(named: Mapping[str, T], name: str) -> dict[str, T]:
    return {each: one for each, one in named.items() if each != name}


def rule_wants(work: Work, levels: Levels) -> Wanted:
    """Return the gain that a rule, the one plug-in of `work`, asks for.

    Raises:
        StepFailed: where it fails, or asks for no possible gain.
    """
    (use,) = work.uses
    if use.source.own:
        plugin = cast("type[Rule]", own_plugin(use.source))
        wanted = plugin(plugin.settings.model_validate(use.settings)).wanted(levels)
    else:
        with work.process(use) as process:
            answer = _answer(process, use, "wanted", levels=_plain(levels))
        wanted = Wanted(float(answer["gain_db"]), str(answer["because"]))
    if not abs(wanted.gain_db) <= MOST_GAIN_DB:
        raise work.label(use).failed(f"expected a gain in dB, found {wanted.gain_db}")
    return wanted


def _answer(process: Worker, use: PluginUse, do: str, **asked: Any) -> dict[str, Any]:  # noqa: ANN401
    process.ask("open", settings=use.settings)
    return process.ask(do, **asked)[0]


def _plain(levels: Levels) -> dict[str, Any]:
    return levels.model_dump(mode="json")
