"""The name of a copy, built from the fields that `copy.name` may use."""

from pathlib import PurePosixPath
from string import Formatter
from typing import Final

NAME_FIELDS: Final = ("stem", "suffix", "role", "rate", "depth")
"""The fields that `copy.name` may use."""

NO_ROLE: Final = "none"
"""What `{role}` becomes for a stem without a role."""

_DEPTHS: Final = {"PCM_16": "16", "PCM_24": "24", "PCM_32": "32", "FLOAT": "32f", "DOUBLE": "64f"}


def checked_name(template: str) -> str:
    """Return a template back as it is.

    Raises:
        ValueError: whose text says what was expected, where the template could lead out of its folder, has a field
            that is not known, or could give two stems one name.
    """
    fields = _fields(template)
    if any(letter in "/\\" or not letter.isprintable() for letter in template):
        raise ValueError("a file name without / or \\ (a copy keeps its original's subfolder)")
    if unknown := [field for field in fields if field not in NAME_FIELDS]:
        raise ValueError(f"only the fields {', '.join(NAME_FIELDS)}, not {{{unknown[0]}}}")
    if "stem" not in fields or not template.endswith("{suffix}"):
        raise ValueError("a name that has {stem} and ends in {suffix}, so that no two stems share a copy")
    return template


def _fields(template: str) -> list[str]:
    """Return the fields of a template as written, conversions and format specifications included."""
    try:
        parts = list(Formatter().parse(template))
    except ValueError:
        raise ValueError("every { closed by a }") from None
    return [
        field + (f"!{how}" if how else "") + (f":{spec}" if spec else "")
        for _, field, spec, how in parts
        if field is not None
    ]


def filled_name(template: str, stem: str, *, role: str | None, encoding: str, sample_rate_hz: int) -> str:
    """Return the path of a stem's copy below the outbox: the stem's subfolder, then the filled template.

    `{stem}` is the file's name without its extension, `{suffix}` the extension with its dot, `{rate}` in Hz, `{depth}`
    the bits of a sample, with an `f` for floating point. A `/` in a role's name becomes `-`.
    """
    path = PurePosixPath(stem)
    name = template.format(
        stem=path.stem,
        suffix=path.suffix,
        role=(role or NO_ROLE).replace("/", "-"),
        rate=sample_rate_hz,
        depth=_DEPTHS.get(encoding, encoding),
    )
    return str(path.with_name(name))
