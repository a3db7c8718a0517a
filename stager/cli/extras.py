"""The optional extras: which libraries each brings, and how it is installed."""

NEEDS = {
    **dict.fromkeys(("starlette", "uvicorn", "segno"), ("the page", "page")),
    **dict.fromkeys(("dask", "distributed"), ("--cluster", "cluster")),
}
"""Libraries of the optional extras: what needs each, and the extra's name."""


def how_to_install(library: str) -> str:
    """Return what a missing library of an extra is needed for, and how the extra is installed.

    Systems that manage their own Python refuse a plain `pip install` (PEP 668).
    """
    what, extra = NEEDS[library]
    pipx, venv = f"pipx install --force '.[{extra}]'", f"pip install '.[{extra}]'"
    return (
        f"{what} needs {library}, which is not installed. In the clone: {pipx}, or in its virtual environment: {venv}"
    )
