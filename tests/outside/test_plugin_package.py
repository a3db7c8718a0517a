"""A third-party package of plug-ins in a fresh environment: it is installed, listed, used, and taken away again."""

import importlib.util
import json
import shutil
import subprocess
import sys
import venv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.song import Song

pytestmark = pytest.mark.long

EXAMPLE = Path(__file__).with_name("plugin_example")
HUNG_S = 240
RATE_HZ = 48_000
KINDS = {"zero_crossings": "meter", "thin": "check", "half_way": "rule", "soft_bucket": "step"}
IN_FORCE = """
[[plugin]]
use = "zero_crossings"

[[plugin]]
use = "thin"
most_per_s = 500.0

[[plugin]]
use = "half_way"
match = ["kick*"]

[[step]]
use = "soft_bucket"
match = ["bass*"]
drive = 3.0
"""


class Fresh:
    """An environment of its own that sees this one's libraries; what is installed here goes in there alone."""

    def __init__(self, folder: Path) -> None:
        venv.create(folder, with_pip=True)
        self.python = folder / "bin" / "python"
        (site,) = folder.glob("lib/python*/site-packages")
        spec = importlib.util.find_spec("stager")
        assert spec is not None
        assert spec.origin is not None
        ours = str(Path(spec.origin).parent.parent)
        paths = [path for path in sys.path if path.endswith("site-packages")]
        (site / "shared.pth").write_text("\n".join([ours, *paths]) + "\n")

    def __call__(self, *args: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run its interpreter to the end."""
        line = [str(self.python), *map(str, args)]
        return subprocess.run(line, cwd=cwd, capture_output=True, text=True, timeout=HUNG_S, check=False)

    def stager(self, *args: str | Path) -> Any:
        """Run the command with --json in it, and parse what it prints."""
        done = self("-P", "-m", "stager", *args)
        assert done.stdout, done.stderr
        return json.loads(done.stdout)

    def pip(self, *args: str | Path) -> None:
        """Install or remove, without a network."""
        done = self("-m", "pip", "--disable-pip-version-check", "--quiet", *args)
        assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fresh]:
    """A fresh environment with the example package in it."""
    folder = tmp_path_factory.mktemp("fresh")
    made = Fresh(folder / "env")
    shutil.copytree(EXAMPLE, folder / "source")
    made.pip("install", "--no-index", "--no-deps", "--no-build-isolation", folder / "source")
    yield made
    made.pip("uninstall", "--yes", "tin-bucket")


def listed(env: Fresh) -> dict[str, dict[str, Any]]:
    found = env.stager("steps", "--json")["plugins"]
    return {one["name"]: one for one in found}


def song_in(folder: Path, text: str = "") -> Song:
    """A project with two stems; a `stager` command is not asked for."""
    none: Any = None
    song = Song.made(none, folder, text)
    block = np.random.default_rng(41).normal(0.0, 0.05, (RATE_HZ, 1))
    for name in ("bass.wav", "kick.wav"):
        wavefile.write(song.inbox / name, block, RATE_HZ)
        song.rest(name, 10.0)
    return song


def staged(env: Fresh, song: Song) -> dict[str, dict[str, Any]]:
    return {
        one["stem"]: one for one in env.stager("stage", song.folder, "--json", "--jobs", "1", "--again")["outcomes"]
    }


def test_it_is_listed_with_version_origin_and_settings(fresh: Fresh) -> None:
    """One of each kind, from the package with its version, isolated, beside our own."""
    found = listed(fresh)
    assert {name: found[name]["kind"] for name in KINDS} == KINDS
    assert all(found[name]["origin"] == "tin-bucket 1.2" and found[name]["version"] == "1.2" for name in KINDS)
    assert all(found[name]["isolated"] and found[name]["fault"] is None for name in KINDS)
    assert found["soft_bucket"]["settings"]["properties"]["drive"]["default"] == 2.0
    assert found["high_pass"]["origin"].startswith("stager ")


def test_its_words_are_listed_and_in_the_schema(fresh: Fresh) -> None:
    """The rule is one that a target may name, and the check's code one that `allow` may name; ours come first."""
    tables = fresh.stager("schema")["$defs"]
    rules = [tables[table]["properties"]["rule"]["anyOf"][0]["enum"] for table in ("TargetTable", "TargetChanges")]
    codes = [tables[table]["properties"]["allow"]["items"]["anyOf"][0]["enum"] for table in ("ProjectSettings", "Role")]
    assert all(words[0] == "average" and words[-1] == "half_way" for words in rules)
    assert all(words[0] == "clipped" and words[-1] == "thin" for words in codes)
    assert listed(fresh)["thin"]["codes"] == ["thin"]
    text = fresh("-P", "-m", "stager", "steps").stdout
    assert 'rule = "half_way" in a target' in text
    assert "as allow may name them: thin" in text


def test_a_target_names_its_rule(fresh: Fresh, tmp_path: Path) -> None:
    """`rule` with its name gives the trim that the table by `use` gives, here to one role alone."""
    by_use = staged(fresh, song_in(tmp_path / "use", '[[plugin]]\nuse = "half_way"\nmatch = ["kick*"]\n'))
    role = '[[role]]\nname = "drum"\nmatch = ["kick*"]\ntarget = { rule = "half_way" }\n'
    by_role = staged(fresh, song_in(tmp_path / "role", role))
    for name in ("kick.wav", "bass.wav"):
        assert by_role[name]["trim"]["gain_db"] == by_use[name]["trim"]["gain_db"]
    assert by_role["kick.wav"]["trim"]["target"]["rule"] == "half_way"
    assert by_role["kick.wav"]["trim"]["gain_db"] != by_role["bass.wav"]["trim"]["gain_db"]


def test_its_settings_are_in_the_schema(fresh: Fresh) -> None:
    """An editor knows them where `use` names the plug-in."""
    tables = fresh.stager("schema")["$defs"]
    cases = {
        case["if"]["properties"]["use"]["const"]: case["then"]["properties"]
        for table in ("Step", "Plugin")
        for case in tables[table]["allOf"]
    }
    assert "drive" in cases["soft_bucket"]
    assert "most_per_s" in cases["thin"]


def test_each_kind_changes_a_result(fresh: Fresh, tmp_path: Path) -> None:
    """The meter's figure, the check's finding, the rule's trim and the step's samples are as computed here."""
    song = song_in(tmp_path / "song", IN_FORCE)
    plain = staged(fresh, song_in(tmp_path / "plain"))
    outcomes = staged(fresh, song)
    kick, block = outcomes["kick.wav"], song.original("kick.wav").samples()
    signs = np.sign(block[:, 0])
    crossings = float(np.count_nonzero(signs[1:] != signs[:-1]))
    assert kick["levels"]["extra"]["zero_crossings.per_s"] == crossings * RATE_HZ / len(block)
    assert "thin" in [finding["code"] for finding in kick["findings"]]
    half = (-20.0 - plain["kick.wav"]["levels"]["average_dbfs"]) / 2
    assert 0.0 <= half - kick["trim"]["gain_db"] < 0.1001
    assert 'The rule "half_way" wants' in kick["trim"]["because"]
    bass = outcomes["bass.wav"]
    wanted = np.tanh(3.0 * block) / 3.0 * 10 ** (bass["trim"]["gain_db"] / 20)
    assert np.abs(song.copy("bass.wav").samples() - wanted).max() < 1.51 * 2.0**-23
    assert bass["steps"] == [
        {"name": "soft_bucket", "version": "1.2", "origin": "tin-bucket 1.2", "settings": {"drive": 3.0}}
    ]
    assert set(kick["levels"]["extra"]) - {"zero_crossings.per_s"} == set(plain["kick.wav"]["levels"]["extra"])


def test_it_goes_away_with_its_package(fresh: Fresh, tmp_path: Path) -> None:
    """Once the package is removed, nothing of it is listed, and a project that names it says so with its line."""
    fresh.pip("uninstall", "--yes", "tin-bucket")
    assert not set(KINDS) & set(listed(fresh))
    assert "soft_bucket" not in json.dumps(fresh.stager("schema"))
    song = song_in(tmp_path / "song", IN_FORCE)
    done = fresh("-P", "-m", "stager", "stage", song.folder)
    assert done.returncode == 2
    assert (
        'step.1.use: expected a step that is installed or in a file of this project, found "soft_bucket"' in done.stderr
    )
    assert not list(song.outbox.iterdir())
    by_rule = song_in(tmp_path / "rule", '[target]\nrule = "half_way"\n')
    done = fresh("-P", "-m", "stager", "stage", by_rule.folder)
    assert done.returncode == 2
    assert (
        'stager.toml:5: target.rule: expected "average", "loudness", "vu", "peak" or "leave", found "half_way"'
        in done.stderr
    )
