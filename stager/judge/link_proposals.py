"""Which stems would do well to share one trim: groups of one take, with lines for the project file. Pure."""

from collections.abc import Iterable, Sequence

from stager.judge.pairs import Pair, kinship, may_be_copy
from stager.model.pairs import Kinship, LinkProposal


def link_proposals(pairs: Sequence[Pair], linked: Iterable[Sequence[str]] = ()) -> list[LinkProposal]:
    """Propose one link for each group of stems that hold one take; groups within one of `linked` need none.

    Stems belong together where a chain of pairs joins them: a kit's snare need not be heard in every microphone.
    Nothing is linked by this.
    """
    one_take = [pair for pair in pairs if kinship(pair.likeness) is Kinship.SAME_TAKE or _is_doubtful(pair)]
    there = [frozenset(group) for group in linked]
    groups = grouped([pair.stems for pair in one_take])
    return [_proposal(group, one_take) for group in groups if not any(set(group) <= known for known in there)]


def grouped(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, ...]]:
    """Join names that pairs connect into groups; names and groups come in alphabetical order."""
    groups: list[set[str]] = []
    for pair in pairs:
        touched = [group for group in groups if group & set(pair)]
        groups = [group for group in groups if not group & set(pair)]
        groups.append(set(pair).union(*touched))
    return sorted(tuple(sorted(group)) for group in groups)


def link_name(names: Sequence[str]) -> str:
    """Name a group by what its members' names begin with, or by its first member."""
    stems = [name.rsplit("/", 1)[-1].rsplit(".", 1)[0] for name in names]
    shared = min(stems)
    while not all(stem.startswith(shared) for stem in stems):
        shared = shared[:-1]
    return shared.rstrip(" _-.") or stems[0]


def link_lines(names: Sequence[str]) -> str:
    """Give the lines for the project file that link these stems; a name's own `[`, `?` and `*` match themselves."""
    match = ", ".join(_quoted(_literal(name)) for name in names)
    return f"[[link]]\nname = {_quoted(link_name(names))}\nmatch = [{match}]"


def _proposal(group: tuple[str, ...], pairs: Sequence[Pair]) -> LinkProposal:
    lags = [
        f"{pair.stems[1]} {_lag(pair.likeness.track.lag_ms)} {pair.stems[0]}"
        for pair in pairs
        if set(pair.stems) <= set(group) and pair.likeness.track
    ]
    heard = f"{', '.join(group[:-1])} and {group[-1]} keep one constant lag ({'; '.join(lags)})"
    says = f"{heard}: one take in {len(group)} files. One trim for all keeps their balance:\n{link_lines(group)}"
    return LinkProposal(match=group, says=says)


def _is_doubtful(pair: Pair) -> bool:
    """Whether it is one take that may be a copy as well as two microphones."""
    return kinship(pair.likeness) is Kinship.UNSURE and may_be_copy(pair.likeness)


def _lag(lag_ms: float) -> str:
    if f"{abs(lag_ms):.2f}" == "0.00":
        return "together with"
    return f"{abs(lag_ms):.2f} ms {'after' if lag_ms > 0 else 'before'}"


def _literal(name: str) -> str:
    return "".join(f"[{char}]" if char in "[?*" else char for char in name)


def _quoted(text: str) -> str:
    """Write a TOML basic string (TOML 1.0, String)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(char if char.isprintable() else f"\\U{ord(char):08X}" for char in escaped) + '"'
