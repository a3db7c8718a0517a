"""The page, read by another program's HTML parser: what it says, what it may do, and what names can't do to it."""

import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stager.model import Finding, Refused, Sidecar, Target, Verdict
from stager.model.check import SetReport
from stager.model.handover import SetFinding
from stager.model.pairs import LinkProposal
from stager.model.takes import RefusedTake, Take
from stager.report.html_sources import Overview, Sources
from tests.report.paging import AT, NOTHING, Page, page_of, staged
from tests.report.test_html_bus import bus
from tests.support.records import levels, sidecar

CLIPPED = Finding(
    code="clipped",
    verdict=Verdict.PLAY_AGAIN,
    at_s=(0.25, 0.75),
    worst_at_s=0.75,
    says="Clipped twice: play it again.",
)
EVIL = [
    "<img src=x onerror=alert(1)>.wav",
    '"><script>alert(1)</script>.wav',
    "' onmouseover='alert(1).wav",
    "{{ 7 * 7 }}{% raw %}.wav",
    "</style></script></svg><b>.wav",
    "&lt;b&gt;&#60;.wav",
    "javascript:alert(1).wav",
    '=HYPERLINK("http://x").wav',
    "\u0623\u063a\u0646\u064a\u0629.wav",
    "\u202egnp.wav",
    "two\nlines\x1b[2J.wav",
]


def clipped(stem: str = "voice.wav") -> Sidecar:
    """A stem to play again."""
    return staged(stem, findings=(CLIPPED,), verdict=Verdict.PLAY_AGAIN)


def checked(**changes: Any) -> Sources:
    """Sources with a check of the set."""
    known = {"project": "x", "at": AT, "of": "1", "stems": 1, "findings": (), "bus": None}
    return Sources(SetReport(**{**known, **changes}), "", (), {})


def test_page_is_whole_in_itself(tmp_path: Path) -> None:
    """No element loads anything: only places inside the page and the song's own files, by relative paths, linked."""
    page = Page(page_of(tmp_path, [clipped()]))
    assert {tag for tag, _ in page.tags}.isdisjoint(
        {"img", "link", "iframe", "object", "embed", "audio", "video", "base"}
    )
    for _, attributes in page.tags:
        assert (attributes.get("href") or "#").startswith(("#", "../bounces/", "../staged/", "./"))
        assert "src" not in attributes
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
    assert not re.search(r"@import|url\((?!#)|https?:", page.raw["style"] + page.raw["script"])


def test_policy_allows_its_own_style_and_script_alone(tmp_path: Path) -> None:
    """Everything is forbidden but the two inline blocks, named by the SHA-256 of their text (CSP Level 3)."""
    page = Page(page_of(tmp_path, [clipped()]))
    (policy,) = [each["content"] for each in page.all("meta") if each.get("http-equiv") == "Content-Security-Policy"]
    hashes = {name: b64encode(sha256(page.raw[name].encode()).digest()).decode() for name in ("style", "script")}
    assert policy is not None
    assert policy.split("; ") == [
        "default-src 'none'",
        f"style-src 'sha256-{hashes['style']}'",
        f"script-src 'sha256-{hashes['script']}'",
        "base-uri 'none'",
        "form-action 'none'",
    ]


@pytest.mark.parametrize("name", EVIL)
def test_a_stem_may_be_called_anything(tmp_path: Path, name: str) -> None:
    """A name is text wherever it stands: the page has the same elements as with a harmless name, and shows it."""
    refused = Refused(name, f"bounces/{name}", "truncated", f"{name}: cut")
    plain = Refused("b.wav", "bounces/b.wav", "truncated", "b.wav: cut")
    evil = Page(page_of(tmp_path / "evil", [clipped(name), refused]))
    harmless = Page(page_of(tmp_path / "plain", [clipped("a.wav"), plain]))
    assert [tag for tag, _ in evil.tags] == [tag for tag, _ in harmless.tags]
    assert [sorted(found) for _, found in evil.tags] == [sorted(found) for _, found in harmless.tags]
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in name)
    assert " ".join(shown.split()) in evil.text


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30))
def test_no_character_breaks_out(tmp_path: Path, name: str) -> None:
    """Whatever characters a name, a role, a sentence and the song have, the page keeps its elements."""
    pages = []
    for text in (name, "plain"):
        base = staged(text)
        trim = base.trim.model_copy(update={"role": text, "because": text})
        pages.append(Page(page_of(tmp_path, [base.model_copy(update={"trim": trim})])))
    assert [tag for tag, _ in pages[0].tags] == [tag for tag, _ in pages[1].tags]
    assert all(char.isprintable() or char == "\n" for char in page_of(tmp_path, [staged(name)]))


def test_headline_counts(tmp_path: Path) -> None:
    """How many are usable, to listen to, to play again, refused."""
    refused = Refused("r.wav", "bounces/r.wav", "unreadable", "r.wav: no audio")
    outcomes = [clipped("a.wav"), clipped("b.wav"), staged("c.wav"), staged("d.wav", verdict=Verdict.LISTEN), refused]
    text = Page(page_of(tmp_path, outcomes)).text
    assert "usable 1 listen 1 play again 2 refused 1 the bus not known" in text


def test_what_needs_attention_comes_first(tmp_path: Path) -> None:
    """Refused, then to play again, then to listen to, then by name."""
    refused = Refused("r.wav", "bounces/r.wav", "unreadable", "r.wav: no audio in it")
    text = page_of(tmp_path, [staged("a.wav"), staged("m.wav", verdict=Verdict.LISTEN), clipped("z.wav"), refused])
    named = re.findall(r'id="name-(\d)"><bdi>([^<]+)', text)
    assert named == [("1", "z.wav"), ("2", "m.wav"), ("3", "a.wav")]
    read = Page(text).text
    assert "refused r.wav (unreadable, no copy of this bounce) : r.wav: no audio in it" in read
    assert read.index("no audio in it") < read.index("Clipped twice") < read.index("Levels before and after")


def test_levels_stand_where_they_are(tmp_path: Path) -> None:
    """A stem raised from -30 to -18 with its peak from -20 to -8, on an axis from -36 to +2: places by hand."""
    page = Page(page_of(tmp_path, [staged("a.wav", -30.0, -20.0)]))

    def at(level_db: float) -> str:
        return f"{round(100 * (level_db + 36) / 38, 2)}%"

    inside = [
        found for found in page.all("circle") if str(found["cx"]).endswith("%") and "r" in found and found.get("class")
    ]
    assert [(found["class"], found["cx"]) for found in inside] == [("before", at(-30.0)), ("after", at(-18.0))]
    targets = [found["x1"] for found in page.all("line", "target") if str(found["x1"]).endswith("%")]
    assert targets == [at(-18.0)]
    ceilings = [found["x1"] for found in page.all("line", "ceiling") if str(found["x1"]).endswith("%")]
    assert ceilings == [at(-3.0)]
    peaks = [found["x"] for found in page.all("svg") if found.get("y") == "30"]
    assert peaks == [at(-20.0), at(-8.0)]
    band = next(found for found in page.all("rect", "band") if str(found["x"]).endswith("%"))
    assert (band["x"], float(str(band["width"]).rstrip("%"))) == (at(-19.0), pytest.approx(200 / 38, abs=0.02))


def test_levels_are_in_words_too(tmp_path: Path) -> None:
    """What a picture shows is its label as well, and stands as text beside the stem."""
    page = Page(page_of(tmp_path, [staged("a.wav", -30.0, -20.0)]))
    says = (
        "Average -30.0 before, -18.0 dBFS after; target -18, give or take 1. "
        "True peak -20.0 before, -8.0 dBTP after; ceiling -3."
    )
    assert [found["aria-label"] for found in page.all("svg", "levels")] == [says]
    assert says in page.text


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        ("peak", "Sample peak -20.0 before"),
        ("loudness", "Loudness -27.0 before, -20.0 LUFS after; target -20"),
        ("leave", "Average -30.0 before, -30.0 dBFS after; no target."),
    ],
)
def test_each_rule_names_its_figure(tmp_path: Path, rule: str, says: str) -> None:
    """The level that has a target is the one that the rule works on, with its unit."""
    base = staged("a.wav", -30.0, -20.0)
    target = Target(rule=rule, level_db=-20.0)  # type: ignore[arg-type]
    gain = 0.0 if rule == "leave" else 7.0
    trim = base.trim.model_copy(update={"target": target, "measured_db": -27.0, "gain_db": gain})
    assert base.copy_ is not None
    made = base.copy_.model_copy(update={"average_dbfs": -30.0, "sample_peak_dbfs": -20.0})
    text = Page(page_of(tmp_path, [base.model_copy(update={"trim": trim, "copy_": made})])).text
    assert says in text


def test_silent_stem(tmp_path: Path) -> None:
    """A stem without a level has no marks and says so; nothing fails."""
    silent = staged("a.wav", None, -90.0)
    nothing = levels(average_dbfs=None, true_peak_dbtp=None, sample_peak_dbfs=None)
    trim = silent.trim.model_copy(update={"predicted_average_dbfs": None, "predicted_true_peak_dbtp": None})
    silent = silent.model_copy(update={"levels": nothing, "trim": trim, "copy_": None})
    page = Page(page_of(tmp_path, [silent]))
    assert "Average too low to measure" in page.text
    assert [found for found in page.all("circle") if str(found["cx"]).endswith("%")] == []


def test_places_have_buttons_and_marks(tmp_path: Path) -> None:
    """Each place of a finding is a button with its time, and a mark with its number on the picture, at its place."""
    overview = Overview(stretch_frames=24_000, channels=(((-0.5, 0.5), (-0.1, 0.1)),))
    sources = Sources(None, "", (), {"voice.wav": overview})
    page = Page(page_of(tmp_path, [clipped()], sources))
    buttons = [each for each in page.all("button") if "data-mark" in each]
    assert [(each["data-mark"], each["data-at"]) for each in buttons] == [("1-1", "0:00.250"), ("1-2", "0:00.750")]
    assert [(each["data-mark"], each["x1"]) for each in page.all("line", "mark")] == [
        ("1-1", "25.0%"),
        ("1-2", "75.0%"),
    ]
    assert "place 1 at 0:00.250" in page.text
    assert "0:00.750, the worst" in page.text
    assert "Original, highest sample -6.0 dBFS; all waveforms have one scale." in page.text


def test_places_that_are_not_listed(tmp_path: Path) -> None:
    """A log keeps the first places of many; how many there are is said, and not where all are there."""
    many = CLIPPED.model_copy(update={"count": 316})
    text = Page(page_of(tmp_path, [staged("a.wav", findings=(many,), verdict=Verdict.PLAY_AGAIN)])).text
    assert "the first 2 of 316 places, and the worst" in text
    both = CLIPPED.model_copy(update={"count": 2})
    assert "of 2 places" not in Page(page_of(tmp_path, [staged("a.wav", findings=(both,))])).text


def test_stem_without_a_picture(tmp_path: Path) -> None:
    """Where no overview was kept, the page says so, and the places keep their buttons."""
    page = Page(page_of(tmp_path, [clipped()]))
    assert "No picture was kept of this stem." in page.text
    assert len([each for each in page.all("button") if "data-mark" in each]) == 2


def test_faders_are_exact_and_by_name(tmp_path: Path) -> None:
    """The fader list has each trim and its negative with all places, in order of name."""
    fine = staged("b.wav", -21.2346, -14.0, target=Target(step_db=0.001))
    rows = re.findall(r'<th scope="row"><bdi>(.*?)</bdi></th><td>(.*?)</td><td>(.*?)</td>', page_of(tmp_path, [
        clipped("z.wav"), fine, staged("a.wav", -18.2, -9.0),
    ]))  # fmt: skip
    assert rows == [("a.wav", "0.0", "0.0"), ("b.wav", "+3.234", "-3.234"), ("z.wav", "+2.0", "-2.0")]


def test_caution(tmp_path: Path) -> None:
    """More than 6 dB up: how many, by how much, and whom to turn to; 6 dB or less: not a word."""
    text = Page(page_of(tmp_path, [staged("a.wav", -30.0, -25.0), staged("b.wav", -25.0, -20.0)])).text
    assert "2 copies are more than 6 dB louder than their originals (most of all a.wav, +12.0 dB). Turn" in text
    assert "safe-listening guidance where you live, and ask a licensed audiologist" in text
    assert "Caution" not in Page(page_of(tmp_path, [staged("a.wav", -24.0, -20.0)])).text


def test_bus_is_shown_where_it_is_known(tmp_path: Path) -> None:
    """Its distance from the ceiling at the head, its picture with the loudest place and a line at the ceiling."""
    forecast = bus(overview=(((-0.5, 0.5),) * 4, ((-0.4, 0.4),) * 4), stretch_s=2.0)
    page = Page(page_of(tmp_path, [staged("a.wav")], checked(bus=forecast)))
    assert "the bus 2.0 dB over its ceiling" in page.text
    assert "loudest at 0:02.000" in page.text
    assert [found["x1"] for found in page.all("line", "mark")] == ["25.0%"]
    assert len(page.all("path", "limit")) == 2


def test_bus_without_a_picture(tmp_path: Path) -> None:
    """A check that kept no picture has a sentence in its place."""
    text = Page(page_of(tmp_path, [staged("a.wav")], checked(bus=bus()))).text
    assert "The check kept no picture of the bus over time." in text


def test_check_that_is_missing_or_old(tmp_path: Path) -> None:
    """The page says what is known of the check."""
    assert Page(page_of(tmp_path, [staged("a.wav")])).text.count(NOTHING.check_says) >= 1
    old = Sources(checked(bus=bus()).check, "Stems changed since.", (), {})
    assert "Stems changed since." in Page(page_of(tmp_path, [staged("a.wav")], old)).text


def test_handover_list(tmp_path: Path) -> None:
    """Findings of the set worst first, then links, with the lines for the project file apart from the sentence."""
    findings = (
        SetFinding(code="rate_differs", verdict=Verdict.LISTEN, says="b.wav is not at 48 kHz."),
        SetFinding(code="clipped", verdict=Verdict.PLAY_AGAIN, says="Clipped: a.wav."),
    )
    link = LinkProposal(match=("a", "b"), says='a and b belong together:\n[[link]]\nname = "a"')
    text = page_of(tmp_path, [staged("a.wav")], checked(findings=findings, links_proposed=(link,)))
    read = Page(text).text
    first, rest = read.split("Before you hand the stems over")
    assert "listen b.wav is not at 48 kHz." in first
    assert "Clipped: a.wav." not in first
    assert rest.index("play again Clipped: a.wav.") < rest.index("listen b.wav is not at 48 kHz.")
    assert "to know a and b belong together:" in read
    assert ">[[link]]\nname = &#34;a&#34;\n</pre>" in text
    assert "nothing that stands in the way" in Page(page_of(tmp_path, [staged("a.wav")], checked())).text


def test_takes(tmp_path: Path) -> None:
    """The last ten takes, newest first, with verdict, change of the input, and what there is to know."""
    base = sidecar()
    down = base.advice
    takes = [
        RefusedTake(take="new.wav", at=AT, refused="truncated", says="expected 2 s"),
        Take(take="t.wav", at=AT, source=base.source, levels=base.levels, findings=(CLIPPED,),
             verdict=Verdict.PLAY_AGAIN, advice=down),
        *(Take(take=f"{n}.wav", at=AT, source=base.source, levels=base.levels, findings=(), verdict=Verdict.USABLE,
               advice=None) for n in range(12)),
    ]  # fmt: skip
    text = Page(page_of(tmp_path, [], Sources(None, "", tuple(takes), {}))).text
    assert "new.wav can't be judged no advice expected 2 s" in text
    assert "t.wav play again -3 dB Clipped twice: play it again. down" in text
    assert "7.wav" in text
    assert "8.wav" not in text
    assert "The last takes" not in Page(page_of(tmp_path, [])).text


def test_conventions_and_versions(tmp_path: Path) -> None:
    """Every kind of number on the page has its meaning at the foot; kinds that are not there have none."""
    text = Page(page_of(tmp_path, [staged("a.wav")])).text
    assert "RMS while the part plays, in dBFS (AES17: a full-scale sine reads 0)" in text
    assert "ITU-R BS.1770, Annex 2" in text
    assert "LUFS (ITU-R BS.1770)" not in text
    assert "LUFS (ITU-R BS.1770)" in Page(page_of(tmp_path, [staged("a.wav")], checked(bus=bus()))).text
    assert re.search(r"stager \d+\.\d+", text)


def test_same_records_same_page(tmp_path: Path) -> None:
    """The same outcomes in another order give the same page; the time of writing stands in it once."""
    outcomes = [staged("a.wav"), clipped("b.wav"), Refused("c.wav", "bounces/c.wav", "unreadable", "no audio")]
    first = page_of(tmp_path, outcomes)
    assert page_of(tmp_path, outcomes[::-1]) == first
    assert first.count(AT) == 1
    assert page_of(tmp_path, outcomes, at="later") == first.replace(AT, "later")


def test_nothing_staged(tmp_path: Path) -> None:
    """An empty project has a page that says so."""
    text = Page(page_of(tmp_path, [])).text
    assert "No stem has been staged yet." in text
    assert "usable 0 listen 0 play again 0 refused 0" in text


def test_sixty_stems_at_their_worst_fit_in_three_megabytes(tmp_path: Path) -> None:
    """Sixty stereo stems with outlines as rough as any, long names, and six findings of as many places as are shown."""
    rng = np.random.default_rng(3)
    at_s = tuple(number / 20 for number in range(20))
    findings = tuple(CLIPPED.model_copy(update={"at_s": at_s, "worst_at_s": 0.95, "count": 500}) for _ in range(6))
    stems, overviews = [], {}
    for number in range(60):
        name = f"{number}{'m' * 200}.wav"
        stems.append(staged(name, findings=findings, verdict=Verdict.PLAY_AGAIN))
        high = rng.random((2, 1000))
        channels = tuple(tuple((-top, top) for top in channel) for channel in high.tolist())
        overviews[name] = Overview(stretch_frames=48, channels=channels)
    text = page_of(tmp_path, stems, Sources(None, "", (), overviews))
    assert text.count("<button") == 60 * 6 * 8 + 3
    assert len(text.encode()) < 3_000_000


def test_headings_and_labels_lead_to_what_is_there(tmp_path: Path) -> None:
    """Every link, label and mark inside the page names an element that exists, and no name is given twice."""
    overview = Overview(stretch_frames=24_000, channels=(((-0.5, 0.5),),))
    page = Page(page_of(tmp_path, [clipped(), staged("b.wav")], Sources(None, "", (), {"voice.wav": overview})))
    ids = [found["id"] for _, found in page.tags if "id" in found]
    assert len(ids) == len(set(ids))
    asked = [str(found["href"])[1:] for _, found in page.tags if str(found.get("href", "")).startswith("#")]
    asked += [str(found["aria-labelledby"]) for _, found in page.tags if "aria-labelledby" in found]
    assert set(asked) <= set(ids)


def test_song_is_told(tmp_path: Path) -> None:
    """Name, tempo, key and each line of the notes."""
    toml = '[project]\nname = "A & B"\ntempo_bpm = 92.5\nkey = "D minor"\nnotes = """one\n<b>two"""\n'
    text = Page(page_of(tmp_path, [], toml=toml)).text
    assert "A & B 92.5 bpm, D minor one <b>two" in text


@pytest.mark.parametrize("name", EVIL)
def test_links_to_files_are_plain_paths(tmp_path: Path, name: str) -> None:
    """Whatever a stem is called, its links are relative, percent-encoded paths that decode to the files (RFC 3986)."""
    base = sidecar()
    page = Page(page_of(tmp_path, [staged(name, source=base.source.model_copy(update={"path": f"bounces/{name}"}))]))
    links = [str(each["href"]) for each in page.all("a") if not str(each["href"]).startswith("#")]
    assert all(re.fullmatch(r"\.\.?/[A-Za-z0-9._~/%-]+", link) for link in links)
    if "\\x" not in name:
        assert unquote(links[0]).endswith(f"/bounces/{name}")


def test_stems_are_ordered_by_what_is_left(tmp_path: Path) -> None:
    """Of one verdict, the stem farthest from its target comes first, and rows carry what they are sorted by."""
    far, near = staged("b.wav", -50.0, -40.0), staged("a.wav", -20.0, -8.0)
    rows = [found for tag, found in Page(page_of(tmp_path, [near, far])).tags if tag == "li" and "data-away" in found]
    assert [(row["data-name"], float(row["data-away"] or 0.0) > 0.0) for row in rows] == [
        ("b.wav", True), ("a.wav", False),
    ]  # fmt: skip


def test_many_stems_are_folded(tmp_path: Path) -> None:
    """Of thirteen stems only the one to play again is unfolded; of twelve, all are."""
    stems = [staged(f"s{n}.wav") for n in range(12)]
    some = Page(page_of(tmp_path, [*stems, clipped("z.wav")])).all("details")
    assert ["open" in each for each in some] == [True] + [False] * 12
    assert all("open" in each for each in Page(page_of(tmp_path, stems)).all("details"))
