"""The name of a copy follows the template, and a template can't lead anywhere else."""

import pytest

from stager.project.copy_name import checked_name, filled_name

FILLED = {
    "as the original": ("{stem}{suffix}", "kick.wav", "kick.wav"),
    "the subfolder stays": ("{stem}{suffix}", "drums/close/kick.wav", "drums/close/kick.wav"),
    "only the last suffix is one": ("{stem}_x{suffix}", "kick.v2.WAV", "kick.v2_x.WAV"),
    "all fields": ("{role} {stem} {rate} {depth}{suffix}", "kick.wav", "drum kick kick 48000 24.wav"),
    "braces of its own": ("{{{stem}}}{suffix}", "kick.wav", "{kick}.wav"),
    "braces in the stem stay": ("{stem}{suffix}", "{role}.wav", "{role}.wav"),
    "no suffix at all": ("{stem}{suffix}", "kick", "kick"),
}

REFUSED = {
    "an unknown field": ("{song}{suffix}", "not {song}"),
    "a field without a name": ("{}{stem}{suffix}", "not {}"),
    "a field by number": ("{0}{stem}{suffix}", "not {0}"),
    "a field's inside": ("{stem.x}{suffix}", "not {stem.x}"),
    "an entry of a field": ("{stem[0]}{suffix}", r"not {stem\[0\]}"),
    "a field with a width": ("{stem:>900}{suffix}", "not {stem:>900}"),
    "a field converted": ("{stem!r}{suffix}", "not {stem!r}"),
    "a slash": ("sub/{stem}{suffix}", "without /"),
    "a backslash": ("sub\\{stem}{suffix}", "without /"),
    "a climb": ("../{stem}{suffix}", "without /"),
    "a line break": ("{stem}\n{suffix}", "without /"),
    "a null": ("{stem}\0{suffix}", "without /"),
    "an open brace": ("{stem{suffix}", "closed by|only the fields"),
    "a lone brace": ("{stem}}{suffix}", "closed by"),
    "no stem": ("{role}{suffix}", "no two stems"),
    "no suffix": ("{stem}", "no two stems"),
    "suffix not at the end": ("{stem}{suffix}.old", "no two stems"),
}


@pytest.mark.parametrize(("template", "stem", "copy"), FILLED.values(), ids=FILLED.keys())
def test_template_is_filled(template: str, stem: str, copy: str) -> None:
    """Fields are filled from the stem's own name, and its subfolder is kept."""
    assert checked_name(template) == template
    assert filled_name(template, stem, role="drum kick", encoding="PCM_24", sample_rate_hz=48000) == copy


@pytest.mark.parametrize(("template", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_template_is_refused(template: str, says: str) -> None:
    """A template that could leave its folder, or give two stems one name, is refused with what was expected."""
    with pytest.raises(ValueError, match=says):
        checked_name(template)


@pytest.mark.parametrize(
    ("encoding", "depth"), [("PCM_16", "16"), ("PCM_24", "24"), ("PCM_32", "32"), ("FLOAT", "32f"), ("DOUBLE", "64f")]
)
def test_depth_of_each_encoding(encoding: str, depth: str) -> None:
    """The depth is the bits of a sample, and floating point is told from integers."""
    name = filled_name("{stem}.{depth}{suffix}", "a.wav", role=None, encoding=encoding, sample_rate_hz=44100)
    assert name == f"a.{depth}.wav"


def test_stem_without_a_role() -> None:
    """Where no role matches, the field says none rather than leave a hole in the name."""
    assert filled_name("{stem}_{role}{suffix}", "a.wav", role=None, encoding="FLOAT", sample_rate_hz=1) == "a_none.wav"


def test_role_with_a_slash_makes_no_folder() -> None:
    """A role may be called kick/snare; its copies stay in their folder."""
    name = filled_name("{stem}_{role}{suffix}", "d/a.wav", role="kick/snare", encoding="FLOAT", sample_rate_hz=1)
    assert name == "d/a_kick-snare.wav"
