"""`stager steps`: lists the installed plug-ins with version, origin and settings."""

from typing import Any

from stager.cli.exits import Exit
from stager.cli.screen import print_json
from stager.plugins.catalogue import Found, installed
from stager.report import Row, rows_text


def run(*, as_json: bool) -> Exit:
    """List every installed plug-in; those in a project's own files are not included."""
    found = installed()
    if as_json:
        print_json({"schema": "stager/steps/1", "plugins": [_data(one) for one in found]})
    else:
        print(rows_text(("kind", "name", "version", "from"), [_row(one) for one in found], left=4))
    return Exit.SOME if any(one.fault for one in found) else Exit.DONE


def _data(found: Found) -> dict[str, Any]:
    source = found.source
    return {
        "kind": source.kind,
        "name": source.name,
        "version": source.version,
        "origin": source.origin,
        "isolated": source.isolated,
        "deterministic": source.deterministic,
        "says": found.says,
        "codes": list(source.codes),
        "settings": dict(found.schema),
        "fault": found.fault or None,
    }


def _row(found: Found) -> Row:
    source = found.source
    notes = [f"CAN'T BE USED: {found.fault}"] if found.fault else [found.says] if found.says else []
    if source.kind == "rule":
        notes.append(f'put in force by rule = "{source.name}" in a target, or by use in [[plugin]]')
    notes += [f"its findings, as allow may name them: {', '.join(source.codes)}"] if source.codes else []
    settings = found.schema.get("properties", {})
    notes += [f"{name}{_default(one)}: {one.get('description', '')}".rstrip(": ") for name, one in settings.items()]
    return Row((source.kind, source.name, source.version, source.origin), tuple(notes))


def _default(setting: dict[str, Any]) -> str:
    default = setting.get("default")
    return "" if default in (None, {}) else f" = {default}"
