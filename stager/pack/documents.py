"""The documents of a pack: notes for whoever mixes, the fader list, the list of checksums. Pure."""

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Final

from stager.judge import first_lines
from stager.judge.louder import SAFE_LISTENING, louder_caution
from stager.judge.sentences import counted, exact_clock
from stager.judge.set_formats import depth_words
from stager.model import Verdict
from stager.model.handover import SetFinding
from stager.model.pack import Pack, PackedFile, RoughMixFile
from stager.pack.plan import PackPlan
from stager.report import cell, exact_cell
from stager.report.notes import CHANNEL_WORDS, Song, about_song, escaped, section
from stager.report.terminal import VERDICT_WORDS
from stager.system.printable import on_screen

FADERS_NAME: Final = "faders.csv"
FADER_COLUMNS: Final = ("file", "stem", "role", "link", "channels", "enters_s", "pan", "fader_db")
TRUE_OF_NO_PACK: Final = frozenset({"start_differs", "length_differs", "name_unclear", "rate_differs"})
"""Findings about a set of stems that a pack has mended."""


def lines_of(findings: Sequence[SetFinding]) -> tuple[tuple[Verdict, str], ...]:
    """Return the sentences about a set with their verdicts, worst first, but for what a pack has mended."""
    left = [finding for finding in findings if finding.code not in TRUE_OF_NO_PACK]
    return first_lines(left, most=max(1, len(left)))


def faders_text(pack: Pack) -> str:
    """Return the fader list as CSV: the moves that bring the rough balance back, one line a file."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(FADER_COLUMNS)
    for each in pack.files:
        enters_s = f"{each.lead_frames / pack.sample_rate_hz:.6f}"
        words = [cell(value) for value in (each.file, each.stem, each.role, each.link, each.channels)]
        table.writerow([*words, enters_s, f"{each.pan:g}", exact_cell(each.fader_db)])
    return text.getvalue()


def sums_text(sums: Mapping[str, str]) -> str:
    """Return a list of SHA-256 sums by name, one a line: sum, two blanks, name, as `sha256sum --check` reads it."""
    return "".join(f"{found}  {name}\n" for name, found in sorted(sums.items()))


def mixer_notes(pack: Pack, plan: PackPlan, song: Song, lines: Sequence[tuple[Verdict, str]]) -> str:
    """Return the page for whoever mixes, as Markdown; `lines` are sentences about the set with their verdicts."""
    parts = [
        f"# {escaped(song.name)}: for the mix",
        about_song(song),
        _what_it_is(pack),
        song.notes and "\n".join(map(on_screen, song.notes.strip().splitlines())),
        _table(pack),
        _balance(pack),
        _rough_mix(pack.rough_mix),
        section("To know before mixing", [f"**{VERDICT_WORDS[verdict]}:** {escaped(says)}" for verdict, says in lines]),
        section("Not in this pack", [escaped(each.says) for each in pack.not_packed]),
        section("Checked", [escaped(pack.balance.says), "`sha256sums.txt` has the SHA-256 sum of every file here."]),
        _caution(plan),
    ]
    return "\n\n".join(filter(None, parts)) + "\n"


def _what_it_is(pack: Pack) -> str:
    stored = sorted({depth_words(each.encoding, 8 * each.encoding.sample_bytes) for each in pack.files})
    length = exact_clock(pack.frames / pack.sample_rate_hz)
    start = "" if pack.start_frames is None else ", with one time stamp"
    files = f"{counted(len(pack.files), 'file')}, {pack.sample_rate_hz / 1000:g} kHz, {', '.join(stored)}"
    put = (
        f"All begin at one moment{start} and are {length} long: put them at the beginning of the session, and they fit."
    )
    silence = "Before and behind what was played stands digital silence; the samples between are as they were."
    doubts = [
        f"{', '.join(map(escaped, stems))}: {why}, so put at the beginning; check by ear."
        for stems, why in (
            (pack.without_stamp if pack.start_frames is not None else (), "without a time stamp"),
            (pack.stamps_doubted, "with a time stamp far from all others"),
        )
        if stems
    ]
    return " ".join([f"{files}.", put, silence, *doubts])


def _table(pack: Pack) -> str:
    heads = ["File", "Stem", "What it is", "Channels", "Enters at", "Pan", "Fader, dB"]
    rows = [heads, ["---", "---", "---", "---", "---:", "---:", "---:"], *(_row(pack, each) for each in pack.files)]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def _row(pack: Pack, each: PackedFile) -> list[str]:
    what = [escaped(each.role)] if each.role else []
    what += [f'link "{escaped(each.link)}"'] if each.link else []
    what += [f"after {', '.join(map(escaped, each.steps))}"] if each.steps else []
    return [
        each.file,
        escaped(each.stem),
        ", ".join(what),
        CHANNEL_WORDS.get(each.channels, str(each.channels)),
        exact_clock(each.lead_frames / pack.sample_rate_hz),
        f"{each.pan:+g}" if each.pan else "0",
        f"{each.fader_db:+g}" if each.fader_db else "0",
    ]


def _balance(pack: Pack) -> str:
    if pack.made_of == "originals":
        return "These are the originals: with all faders at 0 dB they are the rough balance."
    moves = f"The faders above, also in `{FADERS_NAME}`, bring back the rough balance that the stems had."
    with_steps = [each.file for each in pack.files if each.steps]
    stays = f" What a step did to {', '.join(with_steps)} stays." if with_steps else ""
    return f"Each file was brought to its target by one constant gain. {moves}{stays}"


def _rough_mix(rough: RoughMixFile) -> str:
    if rough.made_of == "given":
        return f"`{rough.file}` is the rough mix that came with the stems, as it was given."
    lowered = f", {-rough.gain_db:g} dB lower so that its true peak stays under -1 dBTP" if rough.gain_db else ""
    loudness = "" if rough.loudness_lufs is None else f" Its loudness is {rough.loudness_lufs:.1f} LUFS."
    return f"`{rough.file}` is the sum of these files with the faders above and their pans{lowered}.{loudness}"


def _caution(plan: PackPlan) -> str:
    sums = (
        "Many files at 0 dB can add up to more than full scale: turn monitors and headphones down before you first play"
    )
    text = "" if plan.of_originals else louder_caution(each.stem.sidecar for each in plan.files)
    more = f" {escaped(text)}" if text else ""
    return f"> **Caution.** {sums} them together.{more} {SAFE_LISTENING}"
