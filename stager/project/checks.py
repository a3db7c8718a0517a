"""What single keys can't show: settings that contradict each other, and files of another version."""

from collections.abc import Iterator, Mapping
from typing import Any, Final, TypeVar

from pydantic import ValidationError

from stager.model import OWN_RULES, Record, Target, Words
from stager.project.faults import Fault, full_key, shown
from stager.project.lines import Where
from stager.project.settings import TargetChanges

KNOWN_VERSION: Final = 1
"""The version of the file's layout that this package reads."""

_LEVEL_KEYS: Final = ("level_db", "ceiling_dbtp", "rule")
AnyRecord = TypeVar("AnyRecord", bound=Record)


def version_fault(data: Mapping[str, Any]) -> Fault | None:
    """Give the fault of a file of another version: its other keys can't be judged from here."""
    found = data.get("version", KNOWN_VERSION)
    if type(found) is int and found == KNOWN_VERSION:
        return None
    return Fault(("version",), f"version: expected {KNOWN_VERSION}, the one that is known here, found {shown(found)}")


def target_faults(data: Mapping[str, Any], words: Words | str | None = None) -> Iterator[Fault]:
    """Give the targets that can't be met, each as it stands after a role or link has changed it.

    A target that is faulty in itself is passed over: what is wrong with it is said elsewhere, and once. `words` are
    those that plug-ins bring.
    """
    base = _valid(Target, data.get("target", {}), words)
    if base is None:
        return
    yield from _target_faults(("target",), base, data)
    for kind in ("role", "link"):
        for place, raw in _changes(data, kind):
            changes = _valid(TargetChanges, raw, words)
            if changes is not None and changes.model_fields_set & set(_LEVEL_KEYS):
                yield from _target_faults((kind, place, "target"), changes.over(base), data)
    yield from _unshared_in_links(base, data, words)


def _target_faults(where: Where, target: Target, data: Mapping[str, Any]) -> Iterator[Fault]:
    """Refuse a peak level above the ceiling, at the key of this table that has most to do with it."""
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


def _unshared_in_links(base: Target, data: Mapping[str, Any], words: Words | str | None) -> Iterator[Fault]:
    """Refuse `leave` in a link, and a plug-in's rule: it speaks of one stem, and no figure tells the loudest member."""
    for place, raw in _changes(data, "link"):
        changes = _valid(TargetChanges, raw, words)
        rule = changes.over(base).rule if changes is not None else "average"
        if rule == "leave" or rule not in OWN_RULES:
            where = ("link", place, "target", "rule")
            found = f"{shown(rule)}{'' if rule == 'leave' else ', which is no rule of ours'}"
            yield Fault(where, f"{full_key(where, data)}: expected a rule that a group can share, found {found}")


def _valid(kind: type[AnyRecord], raw: object, words: Words | str | None) -> AnyRecord | None:
    """Give a table as its record, or None where it is faulty in itself."""
    try:
        return kind.model_validate(raw, context=words)
    except ValidationError:
        return None


def _tables(data: Mapping[str, Any], kind: str) -> list[tuple[int, Mapping[str, Any]]]:
    """Give the entries of a list of tables with their places; what is no table is passed over."""
    entries = data.get(kind)
    found = entries if isinstance(entries, list) else []
    return [(place, entry) for place, entry in enumerate(found) if isinstance(entry, Mapping)]


def _changes(data: Mapping[str, Any], kind: str) -> list[tuple[int, object]]:
    return [(place, entry.get("target", {})) for place, entry in _tables(data, kind)]


def _at(data: Mapping[str, Any], where: Where) -> Mapping[str, Any]:
    """Give the table at the end of a way, empty where there is none."""
    node: Any = data
    for part in where:
        node = node[part] if isinstance(part, int) else node.get(part)
        if not isinstance(node, Mapping | list):
            return {}
    return node if isinstance(node, Mapping) else {}
