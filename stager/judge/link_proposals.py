"""Links worth proposing: groups of stems that hold one take, with lines for the project file. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

from stager.judge.pairs import Pair, grouped, kinship, may_be_copy
from stager.model.pairs import Kinship, LinkProposal

FEWEST_LETTERS: Final = 3
"""Letters that a shared beginning must have to name a link."""


def link_proposals(pairs: Sequence[Pair], linked: Iterable[Sequence[str]] = ()) -> list[LinkProposal]:
    """Return one proposal for each group of stems that hold one take; groups inside one of `linked` need none.

    Stems belong together where a chain of pairs joins them: a kit's snare need not be heard in every microphone.
    A proposal links nothing by itself.
    """
    one_take = [pair for pair in pairs if kinship(pair.likeness) is Kinship.SAME_TAKE or _is_doubtful(pair)]
    known_links = [frozenset(group) for group in linked]
    groups = grouped([pair.stems for pair in one_take])
    new = [group for group in groups if not any(set(group) <= known for known in known_links)]
    return [_proposal(group, one_take, name) for group, name in zip(new, _unique(map(link_name, new)), strict=True)]


def link_name(names: Sequence[str]) -> str:
    """Return a name for a group: what its members' names begin with, or where that says nothing, its first and last."""
    stems = [name.rsplit("/", 1)[-1].rsplit(".", 1)[0] for name in names]
    shared = min(stems)
    while not all(stem.startswith(shared) for stem in stems):
        shared = shared[:-1]
    shared = shared.rstrip(" _-.")
    return shared if sum(map(str.isalpha, shared)) >= FEWEST_LETTERS else f"{stems[0]} and {stems[-1]}"


def link_lines(names: Sequence[str], name: str | None = None) -> str:
    """Return the lines for the project file that link these stems; a name's own `[`, `?` and `*` match themselves."""
    match = ", ".join(_quoted(_literal(name)) for name in names)
    return f"[[link]]\nname = {_quoted(name or link_name(names))}\nmatch = [{match}]"


def _proposal(group: tuple[str, ...], pairs: Sequence[Pair], name: str) -> LinkProposal:
    lines = link_lines(group, name)
    lags = [_lag(pair.likeness.track.lag_ms) for pair in pairs if set(pair.stems) <= set(group) and pair.likeness.track]
    names = f"{', '.join(group[:-1])} and {group[-1]}"
    apart = f", always {lags[0]}" if len(group) == 2 and lags else ""
    count = {2: "two"}.get(len(group), str(len(group)))
    says = f"{names} are {count} recordings of one take{apart}. One trim for all keeps their balance:\n{lines}"
    return LinkProposal(match=group, says=says)


def _unique(names: Iterable[str]) -> list[str]:
    """Return the names with a number behind each that was there before."""
    seen: Counter[str] = Counter()
    found = []
    for name in names:
        seen[name] += 1
        found.append(name if seen[name] == 1 else f"{name} {seen[name]}")
    return found


def _is_doubtful(pair: Pair) -> bool:
    """Return whether a pair is one take, but may be a copy just as well as two microphones."""
    return kinship(pair.likeness) is Kinship.UNSURE and may_be_copy(pair.likeness)


def _lag(lag_ms: float) -> str:
    if f"{abs(lag_ms):.2f}" == "0.00":
        return "together"
    return f"{abs(lag_ms):.2f} ms apart"


def _literal(name: str) -> str:
    return "".join(f"[{char}]" if char in "[?*" else char for char in name)


def _quoted(text: str) -> str:
    """Return a TOML basic string (TOML 1.0, section String)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(char if char.isprintable() else f"\\U{ord(char):08X}" for char in escaped) + '"'
