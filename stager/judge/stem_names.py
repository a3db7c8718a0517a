"""Names that cause trouble elsewhere: refused by some systems, unsafe on others, or without meaning. Pure.

Sources: the portable filename character set of POSIX.1-2017 (3.282: A to Z, a to z, 0 to 9, period, underscore and
hyphen, the hyphen not first); Microsoft, "Naming Files, Paths, and Namespaces" (reserved characters, names of devices
with or without an extension, no space or period at the end), both cited from memory. That a name should have no spaces
and no accents is also in the Recording Academy's delivery recommendations (2018, known from a page that quotes them).
"""

import re
from collections.abc import Sequence
from enum import StrEnum
from functools import partial
from typing import Final
from unicodedata import normalize

from stager.judge.candidates import CandidateFinding
from stager.judge.sentences import counted, listed
from stager.model import Verdict
from stager.model.handover import StemFacts
from stager.system.printable import on_screen

REFUSED_MARKS: Final = frozenset('<>:"\\|?*')
DEVICE: Final = re.compile(r"(con|prn|aux|nul|com[1-9¹²³]|lpt[1-9¹²³])", re.IGNORECASE)
MOST_MARKS: Final = 5
LONGEST_NAME: Final = 64
"""Characters of one name: what Joliet, the long names of data discs, has room for (from memory), and more than a track
list shows."""
PORTABLE: Final = re.compile(r"[A-Za-z0-9._][A-Za-z0-9._-]*")
WORDS: Final = re.compile(r"[^\W\d_]+")
SAY_NOTHING: Final = frozenset(
    WORDS.findall("""
    aiff aif audio aufnahme bip bounce bounced bounces bus caf ch channel clip copy edit export exported file final flac
    inst instrument l left m master mix mixdown mono new no part piste pista printed r rec recorded recording recordings
    region render rendered right rough s sans spur st stem stems stereo take takes temp test titre titulo título title
    track tracks traccia unbenannt unnamed untitled v version wav wave
    """)
)
"""Words that recorders and hurried people put in place of a name, in a few languages (own list)."""


class NameFault(StrEnum):
    """The kinds of fault that a name may have, worst first."""

    REFUSED = "refused"
    SAYS_NOTHING = "says_nothing"
    NOT_PORTABLE = "not_portable"


SENTENCES: Final = {
    NameFault.REFUSED: (Verdict.LISTEN, "that some systems refuse"),
    NameFault.SAYS_NOTHING: (Verdict.LISTEN, "with no word for what plays"),
    NameFault.NOT_PORTABLE: (Verdict.USABLE, "with more than letters A to Z, digits, dot, hyphen and underscore"),
}


def name_faults(stem: str) -> dict[NameFault, str]:
    """Return the faults of a path below the inbox, each with its reason in a few words."""
    parts = stem.split("/")
    reasons = {
        NameFault.REFUSED: next(filter(None, map(_refused_for, parts)), ""),
        NameFault.SAYS_NOTHING: "" if says_something(parts[-1]) else "no word for what plays",
        NameFault.NOT_PORTABLE: next(filter(None, map(_not_portable_for, parts)), ""),
    }
    if reasons[NameFault.REFUSED]:
        reasons[NameFault.NOT_PORTABLE] = ""
    return {fault: reason for fault, reason in reasons.items() if reason}


def says_something(name: str) -> bool:
    """Return whether a file's own name, without its folders, has at least one word for what plays."""
    words = WORDS.findall(normalize("NFC", name.rpartition(".")[0] or name).casefold())
    return any(word not in SAY_NOTHING and (len(word) > 1 or not word.isascii()) for word in words)


def name_unclear(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems whose names some systems refuse, that say nothing, or that are not safe everywhere."""
    found = []
    for fault, (verdict, what) in SENTENCES.items():
        stems = [stem for stem in facts if fault in name_faults(stem.stem)]
        if stems:
            measured = {"fault": fault.value}
            found.append(
                CandidateFinding("name_unclear", verdict, stems, partial(_says, fault, what), measured=measured)
            )
    return found


def _says(fault: NameFault, what: str, stems: Sequence[StemFacts]) -> str:
    """Return the sentence about these stems, each with its reason where reasons differ."""
    labels = [
        stem.stem if fault is NameFault.SAYS_NOTHING else f"{stem.stem} ({name_faults(stem.stem)[fault]})"
        for stem in stems
    ]
    return f"{counted(len(stems), 'name')} {what}: {listed(labels)}."


def _refused_for(part: str) -> str:
    """Return why some systems refuse one part of a path; empty where none does."""
    marks = sorted(REFUSED_MARKS & set(part))
    if marks:
        return f"has {' '.join(marks)}"
    if not part.isprintable():
        return "has a character that can't be printed"
    if DEVICE.fullmatch(part.partition(".")[0].rstrip()):
        return f"{part.partition('.')[0]} is a device there"
    if part.endswith((".", " ")):
        return f"ends in a {'dot' if part.endswith('.') else 'space'}"
    return f"{len(part)} characters long" if len(part) > LONGEST_NAME else ""


def _not_portable_for(part: str) -> str:
    """Return which characters of one part of a path are not portable; empty where all are."""
    if PORTABLE.fullmatch(part):
        return ""
    odd = sorted({char for char in normalize("NFC", part) if not PORTABLE.fullmatch(f"_{char}")})
    words = ["space" if char == " " else on_screen(char) for char in odd]
    return f"has {' '.join(words[:MOST_MARKS])}" if words else "begins with -"
