"""`notes.md`: one page for whoever mixes the stems. Pure: sidecars and settings in, Markdown out.

Names are escaped, since a stem may be called anything. Source: CommonMark 0.31 (backslash escapes, entities) and its
table extension, where a bar ends a cell.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from stager.judge.louder import SAFE_LISTENING, fader_caution, louder_caution
from stager.judge.sentences import exact_clock
from stager.judge.set_formats import depth_words
from stager.model import Refused, Sidecar, Verdict
from stager.report.terminal import FINDING_WORDS, convention, figure
from stager.system.printable import on_screen

NOTES_NAME: Final = "notes.md"
SPECIAL: Final = re.compile(r"[\\`*\[\]<&|~$#]|(?<![^\W_])_|_(?![^\W_])|(?<=www)\.|:(?=//)", re.IGNORECASE)
"""What Markdown may take for markup inside a line; an underscore between letters, or a lone colon, is none."""
CHANNEL_WORDS: Final = {1: "mono", 2: "stereo"}


@dataclass(frozen=True)
class Song:
    """What the project file says for the notes; empty or None: nothing."""

    name: str
    tempo_bpm: float | None = None
    key: str | None = None
    notes: str = ""


@dataclass(frozen=True)
class Notes:
    """All that goes on the page.

    `starts_s` has the time stamp of each stem that has one, in s; `lines` are sentences about the set with their
    verdicts, from `stager.judge.handover.first_lines`.
    """

    song: Song
    sidecars: Sequence[Sidecar]
    starts_s: Mapping[str, Fraction] = field(default_factory=dict)
    refused: Sequence[Refused] = ()
    lines: Sequence[tuple[Verdict, str]] = ()
    taken_out: Sequence[str] = ()


def notes_text(notes: Notes) -> str:
    """Return the page as Markdown, with a newline at its end."""
    parts = [
        f"# {escaped(notes.song.name)}: notes for the mix",
        about_song(notes.song),
        notes.song.notes and "\n".join(map(on_screen, notes.song.notes.strip().splitlines())),
        _formats(notes.sidecars),
        _table(notes),
        _balance(notes.sidecars),
        section(
            "To know before mixing", [f"**{FINDING_WORDS[verdict]}:** {escaped(says)}" for verdict, says in notes.lines]
        ),
        section("Taken out", list(map(escaped, notes.taken_out))),
        section("Not among them", [_refusal(each) for each in notes.refused]),
        _conventions(notes),
        _caution(notes.sidecars),
    ]
    return "\n\n".join(filter(None, parts)) + "\n"


def escaped(text: str) -> str:
    r"""Return a text that Markdown shows as it is, inside a line; control characters become `\xNN`."""
    return SPECIAL.sub(r"\\\g<0>", on_screen(text))


def about_song(song: Song) -> str:
    """Return tempo and key; empty where neither is known."""
    tempo = [f"Tempo: {song.tempo_bpm:g} bpm."] if song.tempo_bpm else []
    key = [f"Key: {escaped(song.key)}."] if song.key else []
    return " ".join(tempo + key)


def _formats(sidecars: Sequence[Sidecar]) -> str:
    """How many stems there are, at which rates and in which encodings."""
    if not sidecars:
        return "No stem has been staged yet."
    rates = sorted({sidecar.source.sample_rate_hz for sidecar in sidecars})
    encodings = {sidecar.copy_.encoding if sidecar.copy_ else sidecar.source.encoding for sidecar in sidecars}
    stored = [depth_words(encoding, 8 * encoding.sample_bytes) for encoding in sorted(encodings)]
    count = "1 stem" if len(sidecars) == 1 else f"{len(sidecars)} stems"
    return f"{count}, {', '.join(f'{rate / 1000:g}' for rate in rates)} kHz, {', '.join(stored)}."


def _table(notes: Notes) -> str:
    if not notes.sidecars:
        return ""
    first = min(notes.starts_s.values(), default=None)
    heads = ["Stem", "What it is", "Channels", "Length", "Start", "Average, dBFS", "Trim, dB", "Fader back, dB"]
    rows = [heads, ["---", "---", "---", *["---:"] * (len(heads) - 3)]]
    rows += [_row(sidecar, notes.starts_s.get(sidecar.stem), first) for sidecar in notes.sidecars]
    shown = range(len(heads)) if first is not None else [i for i in range(len(heads)) if heads[i] != "Start"]
    return "\n".join(f"| {' | '.join(row[i] for i in shown)} |" for row in rows)


def _row(sidecar: Sidecar, start: Fraction | None, first: Fraction | None) -> list[str]:
    source, trim, made = sidecar.source, sidecar.trim, sidecar.copy_
    what = [escaped(trim.role)] if trim.role else []
    what += [f'link "{escaped(trim.link)}"'] if trim.link else []
    average = made.average_dbfs if made else trim.predicted_average_dbfs
    return [
        escaped(_name(sidecar)),
        ", ".join(what),
        CHANNEL_WORDS.get(source.channels, str(source.channels)),
        exact_clock(source.duration_s),
        exact_clock(float(start - first)) if start is not None and first is not None else "-",
        figure(average),
        _exact(trim.gain_db),
        _exact(trim.restore_fader_db),
    ]


def _name(sidecar: Sidecar) -> str:
    """The stem's path, or its copy's own name where that is another."""
    made = sidecar.copy_
    same = made is None or f"/{made.path}".endswith(f"/{sidecar.stem}")
    return sidecar.stem if same or made is None else made.path.rpartition("/")[2]


def _exact(gain_db: float) -> str:
    """A gain with all the places that its step has, so that it can be undone."""
    return f"{gain_db:+g}" if gain_db else "0"


def _balance(sidecars: Sequence[Sidecar]) -> str:
    if not any(sidecar.trim.gain_db for sidecar in sidecars):
        return "No stem was trimmed: at unity faders the rough balance is as it was." if sidecars else ""
    says = 'The faders at "Fader back" bring back the rough balance that the stems had before they were trimmed.'
    caution = fader_caution(max(sidecar.trim.restore_fader_db for sidecar in sidecars))
    return f"{says} {caution}" if caution else says


def _refusal(refused: Refused) -> str:
    return f"**{escaped(refused.stem)}** ({escaped(refused.refused)}): {escaped(refused.says)}"


def section(title: str, lines: Sequence[str]) -> str:
    """Return lines as a list under a title; empty without any."""
    return "\n".join((f"## {title}\n", *(f"- {line}" for line in lines))) if lines else ""


def _conventions(notes: Notes) -> str:
    if not notes.sidecars:
        return ""
    references = sorted({sidecar.levels.average_reference for sidecar in notes.sidecars})
    average = f"Average: RMS of the copy while the part plays, in dBFS ({'; '.join(map(convention, references))})."
    trim = "Trim: the one constant gain between original and copy; what else was done, if anything, stands in its log."
    start = ["Start counts from the earliest time stamp."] if notes.starts_s else []
    return " ".join([average, trim, *start])


def _caution(sidecars: Sequence[Sidecar]) -> str:
    text = louder_caution(sidecars)
    return f"> **Caution.** {escaped(text)} {SAFE_LISTENING}" if text else ""
