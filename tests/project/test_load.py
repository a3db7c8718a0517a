"""Each thing that can be wrong with a project file is told with its line, its key, and what to do."""

import re
from pathlib import Path

import pytest

from stager.errors import ConfigError
from stager.plugins import projects
from stager.project import load_project
from stager.project.load import unread_sentence

CONFIGS = Path(__file__).parents[2] / "configs"

ONE_FAULT = {
    "unknown key, a slip": (
        "[target]\nceling_dbtp = -3",
        'stager.toml:2: unknown key "celing_dbtp" in [target]; did you mean "ceiling_dbtp"?',
    ),
    "unknown table, a slip": (
        "\n[taget]\n",
        'stager.toml:2: unknown key "taget" outside of all tables; did you mean "target"?',
    ),
    "unknown key of a role": (
        '[[role]]\nname = "voice"\nmatch = ["*"]\npann = 0.5',
        'stager.toml:4: unknown key "pann" in [role."voice"]; did you mean "pan"?',
    ),
    "unknown key of a role's target": (
        '[[role]]\nname = "voice"\nmatch = ["*"]\n[role.target]\n\nlevel = -12',
        'stager.toml:6: unknown key "level" in [role."voice".target]; did you mean "level_db"?',
    ),
    "key of another table": (
        "[project]\nceiling_dbtp = -3",
        'stager.toml:2: unknown key "ceiling_dbtp" in [project]; it is a key of [target]',
    ),
    "key like no other": (
        "[copy]\nzzz = 1",
        'stager.toml:2: unknown key "zzz" in [copy]; known here: name, encoding, dither',
    ),
    "key with a control sign": (
        '[copy]\n"\\u001b[2J" = 1',
        'stager.toml:2: unknown key "\\u001b[2J" in [copy]; known here: name, encoding, dither',
    ),
    "missing key": ('\n[[role]]\nname = "voice"', 'stager.toml:2: missing key "match" in [role."voice"]'),
    "missing name": ('\n[[role]]\nmatch = ["*"]', 'stager.toml:2: missing key "name" in [role.1]'),
    "text for a number": ('[target]\nlevel_db = "-18"', 'target.level_db: expected a number, found "-18"'),
    "truth for a number": ("[target]\nlevel_db = true", "target.level_db: expected a number, found true"),
    "number for text": ("[project]\nname = 7", "stager.toml:2: project.name: expected text in quotes, found 7"),
    "date for text": ("[project]\nkey = 2031-01-01", "project.key: expected text in quotes, found 2031-01-01"),
    "number for truth": ("[bus]\napply = 1", "stager.toml:2: bus.apply: expected true or false, found 1"),
    "text for a list": ('[project]\ninclude = "*.wav"', 'project.include: expected a list in [ ], found "*.wav"'),
    "number in a list": (
        '[project]\nexclude = [\n"a",\n3]',
        "stager.toml:4: project.exclude.2: expected text in quotes, found 3",
    ),
    "list for a table": (
        "[[bus]]",
        "stager.toml:1: bus: expected one table, [bus] with one bracket, found a list of 1",
    ),
    "table for a list": (
        '[role]\nname = "a"',
        "stager.toml:1: role: expected a list of tables, [[role]] with two brackets, found a table",
    ),
    "number for a table": ("target = 3", "stager.toml:1: target: expected a table, found 3"),
    "empty list": ("[project]\ninclude = []", "project.include: expected at least one entry, found a list of 0"),
    "empty text": ('[project]\ninbox = ""', 'stager.toml:2: project.inbox: expected some text, found ""'),
    "very long text": (f'[project]\ntempo_bpm = "{"x" * 99}"', f'expected a number, found "{"x" * 58}…'),
    "infinity": ("[target]\nlevel_db = inf", "stager.toml:2: target.level_db: expected a finite number, found inf"),
    "minus infinity": ("[recording]\npeak_dbfs = -inf", "recording.peak_dbfs: expected a finite number, found -inf"),
    "not a number": (
        '[[role]]\nname = "voice"\nmatch = ["*"]\nlimits = { delay_ms = nan }',
        'stager.toml:4: role."voice".limits.delay_ms: expected a finite number, found nan',
    ),
    "ceiling above full scale": (
        "[target]\nceiling_dbtp = 0.1",
        "stager.toml:2: target.ceiling_dbtp: expected at most 0, found 0.1",
    ),
    "no boost below nothing": ("[target]\nmax_boost_db = -1", "expected at least 0, found -1"),
    "tempo of nothing": ("[project]\ntempo_bpm = 0", "project.tempo_bpm: expected more than 0, found 0"),
    "unknown rule": (
        '[target]\nrule = "avrage"',
        'expected "average", "loudness", "vu", "peak" or "leave", found "avrage"; did you mean "average"?',
    ),
    "unknown finding": (
        '[project]\nallow = ["hum", "cliped"]',
        'stager.toml:2: project.allow.2: expected one of 31 words, found "cliped"; did you mean "clipped"?',
    ),
    "unknown encoding": (
        '[copy]\nencoding = "MP3"',
        'stager.toml:2: copy.encoding: expected "same", "PCM_16", "PCM_24" or "FLOAT", found "MP3"',
    ),
    "copy name, unknown field": (
        '[copy]\nname = "{song}{suffix}"',
        "stager.toml:2: copy.name: expected only the fields stem, suffix, role, rate, depth, not {song}",
    ),
    "copy name, a separator": ('[copy]\nname = "x/{stem}{suffix}"', "copy.name: expected a file name without /"),
    "copy name, empty": ('[copy]\nname = ""', 'stager.toml:2: copy.name: expected some text, found ""'),
    "another version": (
        "version = 2\n[bogus]",
        "stager.toml:1: version: expected 1, the one that is known here, found 2",
    ),
    "version as text": ('version = "1"', 'version: expected 1, the one that is known here, found "1"'),
    "peak over the ceiling": (
        '[target]\nrule = "peak"\nlevel_db = -1.0',
        "stager.toml:3: target.level_db: expected a peak level at or under the ceiling of -3 dBTP, found -1 dBFS",
    ),
    "outbox is the inbox": (
        '[project]\ninbox = "a"\noutbox = "./b/../a"',
        "stager.toml:3: project.outbox: expected a folder apart from the inbox, found the same folder",
    ),
    "a home folder": ('[project]\ninbox = "~/song"', "project.inbox: expected a folder relative to this file"),
    "syntax": ("[target]\n\nlevel_db -18", "stager.toml:3: not valid TOML, column 10: Expected '='"),
    "syntax at the end": ("[target]\nlevel_db = ", "stager.toml:2: not valid TOML"),
    "a decimal comma": (
        "[target]\nlevel_db = -18,0",
        'stager.toml:2: can\'t read "-18,0". Decimals take a point: -18.0',
    ),
    "curly quotes": ("[project]\nname = \u201cRoad\u201d", "stager.toml:2: can't read the curly quote \u201c"),
    "a Windows path": (
        '[project]\ninbox = "C:\\Users\\me"',
        "stager.toml:2: can't read \"C:\\Users\\me\". A path with backslashes goes in single quotes: 'C:\\Users\\me'",
    ),
    "a Windows path that is an escape": (
        '[project]\ntakes = "D:\\takes"',
        "a path with backslashes goes in single quotes",
    ),
    "a level over full scale": (
        "[target]\nlevel_db = 18",
        "target.level_db: expected at most 0 dB, found 18; did you mean -18?",
    ),
    "a boost of 60 dB": (
        "[target]\nmax_boost_db = 60.0",
        "target.max_boost_db: expected at most 24 dB, found 60. It can hurt",
    ),
    "a boost of a role": (
        '[[role]]\nname = "x"\nmatch = ["*"]\ntarget = { max_boost_db = 30 }',
        'role."x".target.max_boost_db: expected at most 24 dB, found 30',
    ),
    "a hexadecimal number of 5,000 digits": ("a = 0x" + "f" * 5000, "expected a number of 64 bits, found one of 5002"),
    "a number of 90 digits": ("[project]\nsettle_s = " + "9" * 90, "found a number of more than 64 bits"),
    "a dotted key of 20,000 parts": (
        ".".join("a" * 20_000) + " = 1",
        "expected keys of at most 32 parts, found one of 20000",
    ),
    "a header of 20,000 parts": ("[" + ". ".join("a" * 20_000) + "]", "expected keys of at most 32 parts"),
    "a file of 2 MB": ("# " + "x" * 2_000_000, "expected a project file of at most 1024 KiB"),
    "a key twice": ("[target]\nlevel_db = 1\nlevel_db = 1\n\n[bus]", "stager.toml:3: not valid TOML"),
    "a number without end": (f"a = {'9' * 5000}", "stager.toml:1: not valid TOML"),
}


def written(folder: Path, text: str | bytes) -> Path:
    """Write a project file and give its folder."""
    content = text.encode() if isinstance(text, str) else text
    (folder / "stager.toml").write_bytes(content)
    return folder


def told(folder: Path, text: str | bytes) -> list[str]:
    """Return what is told about a project file, line by line, without the folder."""
    with pytest.raises(ConfigError, match=r"stager\.toml") as caught:
        load_project(written(folder, text))
    return str(caught.value).replace(f"{folder}/", "").split("\n")


@pytest.mark.parametrize(("text", "says"), ONE_FAULT.values(), ids=ONE_FAULT.keys())
def test_fault_is_told(tmp_path: Path, text: str, says: str) -> None:
    """A fault is told in one line that starts with file and line, and says what was expected and what was found."""
    with pytest.raises(ConfigError, match=re.escape(says)):
        load_project(written(tmp_path, text))
    assert len(told(tmp_path, text)) == 1


def test_all_faults_at_once_in_line_order(tmp_path: Path) -> None:
    """Faults of every kind come together, in the order of the file, so that it is mended in one go."""
    text = """\
[bus]
apply = 1
[target]
celing_dbtp = -3
level_db = inf
[[role]]
match = ["*"]
[project]
inbox = "x"
outbox = "x/y"
settle_s = "1"
[copy]
encoding = "WMA"
"""
    lines = [int(line.split(":")[1]) for line in told(tmp_path, text)]
    assert lines == [2, 4, 5, 6, 10, 11, 13]


def test_a_faulty_value_brings_no_second_fault(tmp_path: Path) -> None:
    """Where a target is faulty in itself, nothing is concluded from it."""
    assert len(told(tmp_path, '[target]\nrule = "peak"\nlevel_db = "-1"')) == 1


def test_another_version_is_all_that_is_told(tmp_path: Path) -> None:
    """A file of a later version may rightly have keys that are unknown here."""
    assert len(told(tmp_path, "version = 9\n[future]\n[target]\nlevel_db = inf")) == 1


def test_text_that_is_not_utf8(tmp_path: Path) -> None:
    """A file in another encoding is refused with the line of the first byte that does not fit."""
    with pytest.raises(ConfigError, match=r"stager\.toml:2: expected text in UTF-8, found byte 0xe9"):
        load_project(written(tmp_path, b'[project]\nname = "caf\xe9"'))


def test_lists_nested_beyond_reading(tmp_path: Path) -> None:
    """A file built to exhaust the parser is refused like any other fault."""
    with pytest.raises(ConfigError, match="nested too deeply"):
        load_project(written(tmp_path, f"a = {'[' * 9000}{']' * 9000}"))


def test_empty_file_is_a_project(tmp_path: Path) -> None:
    """Every key has a default, so a file without any is a project named for its folder."""
    project = load_project(written(tmp_path, ""))
    assert (project.name, project.settings.target.level_db) == (tmp_path.name, -18.0)


def test_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    """Some editors put an invisible mark in front, and end lines in two signs."""
    assert load_project(written(tmp_path, b'\xef\xbb\xbf[project]\r\nname = "Salt Road"\r\n')).name == "Salt Road"


def test_folder_and_file_give_the_same_project(tmp_path: Path) -> None:
    """A project is named by its folder or by its file."""
    written(tmp_path, "")
    assert load_project(tmp_path) == load_project(tmp_path / "stager.toml")


def test_relative_path_stays_short_in_messages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In its own folder a project file is named without the way to it."""
    written(tmp_path, "\nx = 1")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ConfigError, match=r'^stager\.toml:2: unknown key "x"'):
        load_project(Path())


def test_places_are_absolute_and_need_not_exist(tmp_path: Path) -> None:
    """Folders are resolved from the file, not from where the command runs, and nothing is made."""
    project = load_project(written(tmp_path, '[project]\ninbox = "in/../b"\ntakes = "/elsewhere/audio"'))
    root = tmp_path.resolve()
    assert (project.folder, project.file) == (root, root / "stager.toml")
    assert (project.inbox, project.outbox, project.state) == (root / "b", root / "staged", root / ".stager")
    assert project.takes == Path("/elsewhere/audio")
    assert [entry.name for entry in tmp_path.iterdir()] == ["stager.toml"]


def test_no_takes_folder_unless_named(tmp_path: Path) -> None:
    """Takes are judged only where a folder is named."""
    assert load_project(written(tmp_path, "")).takes is None


@pytest.mark.parametrize("missing", ["song", "song/stager.toml", "."])
def test_missing_project_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str) -> None:
    """Where there is no project file, the sentence names the command that makes one."""
    monkeypatch.chdir(tmp_path)
    folder = missing.removesuffix("/stager.toml")
    with pytest.raises(ConfigError, match=rf"^no project file at \S+; `stager new {re.escape(folder)}` makes one$"):
        load_project(Path(missing))


def test_unreadable_file_asks_for_access() -> None:
    """Without permission the sentence names the file and asks for access."""
    file = Path("song/stager.toml")
    says = unread_sentence(Path("song"), file, PermissionError(13, "Permission denied"))
    assert says.startswith("no permission to read song/stager.toml; give yourself read access")


def test_folder_under_the_file_name(tmp_path: Path) -> None:
    """A folder called stager.toml is no project file, and the sentence passes on why."""
    (tmp_path / "stager.toml").mkdir()
    with pytest.raises(ConfigError, match=r"can't be read as a project file: it is no regular file"):
        load_project(tmp_path)


@pytest.mark.parametrize("name", ["songwriter", "five_piece_band", "spoken_word"])
def test_examples_load(name: str) -> None:
    """Each example project file is sound, and has a hand percussion role that goes by its peak."""
    project = projects.load_project(CONFIGS / f"{name}.toml")
    roles = {role.name: role for role in project.settings.roles}
    assert roles["hand percussion"].target.rule == "peak"


@pytest.mark.parametrize("name", ["songwriter", "five_piece_band", "spoken_word"])
def test_examples_warn_before_playback(name: str) -> None:
    """Wherever parts may be raised, the file asks to turn monitors down first."""
    text = (CONFIGS / f"{name}.toml").read_text(encoding="utf-8")
    assert re.search(r"CAUTION: quiet .* raised.*Turn your monitors and headphones down", text)


@pytest.mark.parametrize(
    ("name", "stem", "role", "copy"),
    [
        ("songwriter", "Lead Voice.wav", "voice", "Lead Voice.wav"),
        ("songwriter", "perc/Tabla 2.wav", "hand percussion", "perc/Tabla 2.wav"),
        ("songwriter", "accordion.wav", None, "accordion.wav"),
        ("five_piece_band", "drums/Kick in.wav", "close drums", "drums/Kick in.wav"),
        ("five_piece_band", "drums/overhead_L.wav", "cymbals and room", "drums/overhead_L.wav"),
        ("five_piece_band", "guitars/rhythm_R.flac", "right guitar", "guitars/rhythm_R.flac"),
        ("spoken_word", "chapter1/voice.wav", "narrator", "chapter1/voice_narrator.wav"),
        ("spoken_word", "bell.wav", "hand percussion", "bell_hand percussion.wav"),
    ],
)
def test_examples_name_their_roles(name: str, stem: str, role: str | None, copy: str) -> None:
    """In each example the stems it is written for find their role and their copy's name."""
    project = projects.load_project(CONFIGS / f"{name}.toml")
    found = project.role_for(stem)
    assert (found.name if found else None) == role
    assert project.copy_name(stem, encoding="PCM_24", sample_rate_hz=48000) == copy


@pytest.mark.parametrize("key", ["level_db = 3.0", "max_boost_db = 60.0"])
def test_a_level_that_is_meant_passes(tmp_path: Path, key: str) -> None:
    """Whoever says so may have it, and the word is no part of the target that is written down."""
    (tmp_path / "stager.toml").write_text(f"[target]\n{key}\ni_mean_it = true\n", encoding="utf-8")
    target = load_project(tmp_path).target_for("a.wav")
    assert "i_mean_it" not in target.model_dump()
    assert target.model_dump()[key.partition(" ")[0]] == float(key.rpartition(" ")[2])


def test_the_word_counts_in_its_own_table(tmp_path: Path) -> None:
    """What is meant in [target] is not meant in a role that brings its own boost."""
    text = '[target]\ni_mean_it = true\n[[role]]\nname = "x"\nmatch = ["*"]\ntarget = { max_boost_db = 30.0 }\n'
    (tmp_path / "stager.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="max_boost_db: expected at most 24"):
        load_project(tmp_path)


def test_dots_in_texts_are_no_keys(tmp_path: Path) -> None:
    """Only keys are counted: a note may have as many dots as it likes."""
    (tmp_path / "stager.toml").write_text(f'[project]\nnotes = "{"a." * 500}"\n', encoding="utf-8")
    assert load_project(tmp_path).settings.project.notes.count(".") == 500
