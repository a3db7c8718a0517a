"""What a pack will hold: which stems, in which order and under which names, and how much silence each one gets."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.containers import HeaderFacts, Padding, header_facts
from stager.errors import PackRefused
from stager.judge.bus import Span, Starts, starts_of
from stager.judge.sentences import counted, listed
from stager.model import Refused
from stager.model.bus import Part
from stager.pack.names import Named, in_order, packed_names
from stager.project import Project
from stager.project.inbox import stems_in
from stager.songset.gather import Gathered, gather, originals
from stager.staging.ledger import LEDGER, Known, read_entries
from stager.staging.state import StagingState
from stager.staging.taken_out import TakenOut, taken_out
from stager.system.printable import shown

MOST_NAMED: Final = 12
"""Stems that a refusal names before it counts the rest."""


@dataclass(frozen=True)
class PlannedFile:
    """One file to be packed: what it is made of, which hash that must have, its silence, its fader and its pan."""

    name: str
    stem: Gathered
    source: Path
    source_sha256: str
    head: HeaderFacts
    padding: Padding
    fader_db: float
    pan: float


@dataclass(frozen=True)
class PackPlan:
    """All that goes into a pack, and what does not; `originals` are the parts that it must add up to."""

    files: tuple[PlannedFile, ...]
    of_originals: bool
    rate_hz: int
    frames: int
    start_frames: int | None
    originals: tuple[Part, ...]
    without_stamp: tuple[str, ...]
    stamps_doubted: tuple[str, ...]
    refused: tuple[Refused, ...]
    taken_out: tuple[TakenOut, ...]


def plan_of(project: Project, *, of_originals: bool = False) -> PackPlan:
    """Return the plan of a pack of the copies, or of the originals; nothing is written.

    Raises:
        PackRefused: where there is nothing to pack, a stem has no copy that is up to date, or rates differ.
        PlaceError: where the inbox can't be looked through.
        StemError: where a file can't be read.
    """
    stems, refused = _stems(project, of_originals=of_originals)
    ranks = {role.name: rank for rank, role in enumerate(project.settings.roles)}
    named = [Named(each.facts.stem, each.facts.role, ranks.get(each.facts.role or "", len(ranks))) for each in stems]
    order = in_order(named)
    ordered, names = [stems[number] for number in order], packed_names([named[number] for number in order])
    heads = [header_facts(_source(each, of_originals=of_originals)) for each in ordered]
    rate_hz = _one_rate(ordered, heads)
    starts = starts_of([Span(head.start_frames, head.info.frames) for head in heads], rate_hz)
    frames = max(first + head.info.frames for first, head in zip(starts.first_frames, heads, strict=True))
    paddings = _paddings(starts, heads, frames)
    return PackPlan(
        files=tuple(
            _planned(project, *each, of_originals=of_originals)
            for each in zip(ordered, names, heads, paddings, strict=True)
        ),
        of_originals=of_originals,
        rate_hz=rate_hz,
        frames=frames,
        start_frames=starts.zero_stamp,
        originals=tuple(originals(project, [each for each in ordered if of_originals or not each.steps])),
        without_stamp=tuple(ordered[number].facts.stem for number in starts.without_stamp),
        stamps_doubted=tuple(ordered[number].facts.stem for number in starts.doubted),
        refused=tuple(refused),
        taken_out=taken_out(project),
    )


def _stems(project: Project, *, of_originals: bool) -> tuple[list[Gathered], list[Refused]]:
    """Return the stems to pack, and the refused ones."""
    if not of_originals:
        _check_staged(project, stems_in(project))
    stems, refused = gather(project)
    if not of_originals:
        _refuse_unstaged([each.facts.stem for each in stems if each.copy is None])
    if not stems:
        raise PackRefused(f"{shown(project.inbox)}: expected stems to pack, found none")
    return stems, refused


def _check_staged(project: Project, names: Sequence[str]) -> None:
    """Refuse where a stem has no copy that is up to date; one that is refused has none, and is named in the pack."""
    entries = list(read_entries(project.state / LEDGER))
    state = StagingState(project, Known(entries))
    refused = {os.fsdecode(entry.key) for entry in entries if entry.state == "refused"}
    _refuse_unstaged([shown(name) for name in names if name not in refused and not state.current_now(name)])


def _refuse_unstaged(stems: Sequence[str]) -> None:
    if stems:
        found = f"found {counted(len(stems), 'stem')} without: {_names(stems)}"
        raise PackRefused(f"expected a copy of each stem that is up to date, {found}; `stager stage` first")


def _one_rate(stems: Sequence[Gathered], heads: Sequence[HeaderFacts]) -> int:
    """Return the one rate of all stems."""
    by_rate: dict[int, list[str]] = {}
    for each, head in zip(stems, heads, strict=True):
        by_rate.setdefault(head.info.sample_rate_hz, []).append(each.facts.stem)
    if len(by_rate) > 1:
        groups = sorted(by_rate.items(), key=lambda group: -len(group[1]))
        found = "; ".join(f"{rate_hz} Hz: {_names(names)}" for rate_hz, names in groups)
        raise PackRefused(
            f"expected one sample rate, found {found}. Nothing is resampled: bounce these anew at one rate"
        )
    return next(iter(by_rate))


def _paddings(starts: Starts, heads: Sequence[HeaderFacts], frames: int) -> list[Padding]:
    return [
        Padding(first, frames - first - head.info.frames, starts.zero_stamp)
        for first, head in zip(starts.first_frames, heads, strict=True)
    ]


def _source(stem: Gathered, *, of_originals: bool) -> Path:
    return stem.path if of_originals or stem.copy is None else stem.copy


def _planned(
    project: Project, stem: Gathered, name: str, head: HeaderFacts, padding: Padding, *, of_originals: bool
) -> PlannedFile:
    sidecar, role = stem.sidecar, project.role_for(stem.facts.stem)
    made = None if of_originals else sidecar.copy_
    return PlannedFile(
        name=name,
        stem=stem,
        source=_source(stem, of_originals=of_originals),
        source_sha256=made.sha256 if made else sidecar.source.sha256,
        head=head,
        padding=padding,
        fader_db=0.0 if of_originals else sidecar.trim.restore_fader_db,
        pan=role.pan if role else 0.0,
    )


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= MOST_NAMED else listed(names)
