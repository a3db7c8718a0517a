"""What single keys can't show: settings that contradict each other, and files of another version."""

from collections.abc import Iterator, Mapping
from typing import Any, Final, TypeVar

from pydantic import ValidationError

from stager.model import OWN_RULES, Record, Target, Words
from stager.project.faults import Fault, full_key, shown
from stager.project.lines import Where
from stager.project.settings import TargetChanges, TargetTable

KNOWN_VERSION: Final = 1
"""The version of the file's layout that this package reads."""

LOUDEST_DB: Final = 0.0
"""The highest level that needs no word: more is a figure over full scale."""
MOST_BOOST_DB: Final = 24.0
"""The largest boost that needs no word (own figure: a factor of 16)."""

_LEVEL_KEYS: Final = ("level_db", "ceiling_dbtp", "rule")
AnyRecord = TypeVar("AnyRecord", bound=Record)


def version_fault(data: Mapping[str, Any]) -> Fault | None:
    """Return the fault of a file of another layout version, or None; the keys of another version can't be judged."""
    found = data.get("version", KNOWN_VERSION)
    if type(found) is int and found == KNOWN_VERSION:
        return None
    return Fault(("version",), f"version: expected {KNOWN_VERSION}, the one that is known here, found {shown(found)}")


def target_faults(data: Mapping[str, Any], words: Words | str | None = None) -> Iterator[Fault]:
    """Yield a fault for each target that can't be met, taken as it stands after a role's or link's changes.

    A target with an invalid key is skipped: `model_faults` reports that key. `words` are those that plug-ins bring.
    """
    table = _valid(TargetTable, data.get("target", {}), words)
    if table is None:
        return
    yield from _loud_faults(("target",), table, data)
    base = table.plain()
    yield from _target_faults(("target",), base, data)
    for kind in ("role", "link"):
        for place, raw in _changes(data, kind):
            changes = _valid(TargetChanges, raw, words)
            if changes is not None:
                yield from _loud_faults((kind, place, "target"), changes, data)
            if changes is not None and changes.model_fields_set & set(_LEVEL_KEYS):
                yield from _target_faults((kind, place, "target"), changes.over(base), data)
    yield from _unshared_in_links(base, data, words)


def _target_faults(where: Where, target: Target, data: Mapping[str, Any]) -> Iterator[Fault]:
    """Yield the fault of a peak level above the ceiling, at the key of this table that caused it."""
    if target.rule != "peak" or target.level_db <= target.ceiling_dbtp:
        return
    given = _at(data, where)
    key = next((key for key in _LEVEL_KEYS if key in given), None)
    where = (*where, key) if key else where
    level, ceiling = target.level_db, target.ceiling_dbtp
    yield Fault(
        where,
        f"{full_key(where, data)}: expected a peak level at or under the ceiling of {ceiling:g} dBTP, "
        f"found {level:g} dBFS",
    )


def _loud_faults(where: Where, table: TargetTable, data: Mapping[str, Any]) -> Iterator[Fault]:
    """Yield the faults of a level above full scale and of a very large boost, which most often are slips."""
    if table.i_mean_it:
        return
    for key, most in (("level_db", LOUDEST_DB), ("max_boost_db", MOST_BOOST_DB)):
        found = getattr(table, key)
        if key in table.model_fields_set and found > most:
            meant = f"; did you mean -{found:g}?" if key == "level_db" else ""
            says = f"expected at most {most:g} dB, found {found:g}{meant or '.'}"
            caution = "It can hurt ears and speakers; i_mean_it = true beside it lets it pass"
            yield Fault((*where, key), f"{full_key((*where, key), data)}: {says} {caution}")


def _unshared_in_links(base: Target, data: Mapping[str, Any], words: Words | str | None) -> Iterator[Fault]:
    """Yield a fault for a link whose rule is `leave` or a plug-in's: neither has a figure to compare members by."""
    for place, raw in _changes(data, "link"):
        changes = _valid(TargetChanges, raw, words)
        rule = changes.over(base).rule if changes is not None else "average"
        if rule == "leave" or rule not in OWN_RULES:
            where = ("link", place, "target", "rule")
            found = f"{shown(rule)}{'' if rule == 'leave' else ', which is no rule of ours'}"
            yield Fault(where, f"{full_key(where, data)}: expected a rule that a group can share, found {found}")


def _valid(kind: type[AnyRecord], raw: object, words: Words | str | None) -> AnyRecord | None:
    """Return a table as its record, or None where it has invalid keys."""
    try:
        return kind.model_validate(raw, context=words)
    except ValidationError:
        return None


def _tables(data: Mapping[str, Any], kind: str) -> list[tuple[int, Mapping[str, Any]]]:
    """Return the tables of a TOML array, each with its index in the file; entries that are no tables are skipped."""
    entries = data.get(kind)
    found = entries if isinstance(entries, list) else []
    return [(place, entry) for place, entry in enumerate(found) if isinstance(entry, Mapping)]


def _changes(data: Mapping[str, Any], kind: str) -> list[tuple[int, object]]:
    return [(place, entry.get("target", {})) for place, entry in _tables(data, kind)]


def _at(data: Mapping[str, Any], where: Where) -> Mapping[str, Any]:
    """Return the table at this path of keys and positions, empty where there is none."""
    node: Any = data
    for part in where:
        node = node[part] if isinstance(part, int) else node.get(part)
        if not isinstance(node, Mapping | list):
            return {}
    return node if isinstance(node, Mapping) else {}
