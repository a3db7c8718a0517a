"""`stager report` on files made here, under the worst names that a person can give: page, tables and notes."""

import csv
import io
import json
import time
from html.parser import HTMLParser
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from tests.support.signals import band_limited_noise, sine
from tests.support.song import Song, SongMaker, tree

pytestmark = pytest.mark.long

EVIL: Final = (
    "<img src=x onerror=alert(1)>.wav",
    '=HYPERLINK("http:/x").wav',
    "\u0623\u063a\u0646\u064a\u0629.wav",
    "two\nlines.wav",
)
"""Markup, a formula (its slash makes a folder of the first half), Arabic, and a line end."""
REPORTS: Final = {"report.html", "report.csv", "report.json", "notes.md"}
MOST_BYTES: Final = 3_000_000
RATE: Final = 8_000


class Elements(HTMLParser):
    """Every element of a page, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def page_of(song: Song) -> str:
    return (song.outbox / "report.html").read_text("utf-8")


def report(song: Song) -> str:
    """Write the reports; everything else in the project stays as it is. Gives stdout."""
    before = tree(song.folder)
    result = song.stager("report", song.folder)
    assert result.code == 0, result.stderr
    after = tree(song.folder)
    changed = {name for name in before | after if before.get(name) != after.get(name)}
    known = {".stager/check.json", ".stager/reports.json"}  # of unchanged stems, and which reports are our own
    assert {name for name in changed if Path(name).suffix} <= known | {f"staged/{name}" for name in REPORTS}
    return result.stdout


def test_four_files_that_are_named(song: Song) -> None:
    """Page, two tables and notes lie in the outbox; stdout has a line for each."""
    song.put("harp.wav", sine(440.0, -20.0, 1.0))
    assert song.stage().code == 0
    lines = report(song).splitlines()
    assert {Path(line).name for line in lines} == REPORTS
    assert all(Path(line).is_file() for line in lines)


@pytest.fixture
def evil(song: Song) -> Song:
    """Return a song whose stems have the worst of names, staged."""
    for number, name in enumerate(EVIL):
        song.put(name, band_limited_noise(np.random.default_rng(number), -24.0, RATE), RATE)
    assert song.stage().code == 0
    return song


def test_names_are_text_on_the_page(evil: Song) -> None:
    """No name makes an element, and each can be read."""
    report(evil)
    page = Elements(page_of(evil))
    assert "img" not in {tag for tag, _ in page.found}
    assert not [name for _, attributes in page.found for name in attributes if name.startswith("on")]
    for name in EVIL:
        assert name.replace("\n", "\\n") in page.text


def test_no_name_is_a_formula_in_the_table(evil: Song) -> None:
    """Each stem is one row; no cell begins as a formula does, but for numbers."""
    report(evil)
    text = (evil.outbox / "report.csv").read_text("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) == 1 + len(EVIL)
    for cell in (cell for row in rows for cell in row if cell[:1] in set("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20") - {""}):
        float(cell)
    assert {row[0].removeprefix("'") for row in rows[1:]} == set(EVIL)


def test_no_name_moves_the_cursor(evil: Song) -> None:
    """What the commands print has no control character but the ends of its own lines."""
    for result in (evil.stager("stage", evil.folder), evil.stager("report", evil.folder)):
        assert not [char for char in result.stdout + result.stderr if ord(char) < 32 and char != "\n"]
        assert "\nlines.wav" not in result.stdout + result.stderr


def test_the_same_again_but_for_the_hour(song: Song) -> None:
    """Two reports of one state differ in the time of writing alone."""
    song.put("harp.wav", sine(440.0, -20.0, 1.0))
    song.stage()
    report(song)
    first = page_of(song)
    time.sleep(1.1)
    report(song)
    lines = [(one, two) for one, two in zip(first.splitlines(), page_of(song).splitlines(), strict=True) if one != two]
    assert len(lines) == 1
    assert ". Written 20" in lines[0][0]


def test_faders_of_fine_steps_undo_the_trims(make_song: SongMaker) -> None:
    """With steps of 0.001 dB, trim and fader of the table add up to nothing, and are the sidecar's exactly."""
    song = make_song("[target]\nstep_db = 0.001\n")
    song.put("harp.wav", sine(440.0, -27.1234, 1.0))
    assert song.stage().code == 0
    report(song)
    (row,) = csv.DictReader(io.StringIO((song.outbox / "report.csv").read_text("utf-8"), newline=""))
    assert float(row["trim_db"]) + float(row["restore_fader_db"]) == 0.0
    assert float(row["trim_db"]) == song.sidecar("harp.wav")["trim"]["gain_db"]
    assert f"<td>{song.sidecar('harp.wav')['trim']['gain_db']:+g}</td>" in page_of(song)


def test_beside_a_watch(song: Song, tmp_path: Path) -> None:
    """While a watch holds the project, the report is written, and the watch goes on."""
    song.put("harp.wav", sine(440.0, -20.0, 1.0))
    with song.stager.started("watch", song.folder, log=tmp_path / "log") as watch:
        deadline = time.monotonic() + 200.0
        while not (song.outbox / "harp.wav.json").is_file():
            assert time.monotonic() < deadline, "hung"
            time.sleep(0.05)
        assert song.stager("report", song.folder).code == 0
        assert watch.poll() is None
    assert "harp.wav" in page_of(song)


def test_no_project(song: Song, tmp_path: Path) -> None:
    """Without a project there is a sentence, exit status 2, and not one file."""
    result = song.stager("report", tmp_path / "nowhere")
    assert result.code == 2
    assert result.stderr.startswith("stager: ")
    assert not (tmp_path / "nowhere").exists()


def test_sixty_stems_fit_in_three_megabytes(song: Song) -> None:
    """Sixty stereo stems of noise, whose outlines are as rough as any: under 3 MB. The time is printed, not judged."""
    rng = np.random.default_rng(7)
    for number in range(60):
        song.put(f"part {number:02d} with quite a long name.wav", band_limited_noise(rng, -24.0, 2 * RATE, 2), RATE)
    assert song.stage().code == 0
    began = time.monotonic()
    report(song)
    took_s, size = time.monotonic() - began, len(page_of(song).encode())
    print(f"60 stems: {size / 1e6:.2f} MB, written in {took_s:.1f} s, process and all")
    assert size < MOST_BYTES
    assert len(json.loads((song.outbox / "report.json").read_bytes())["outcomes"]) == 60
