"""Settings that contradict each other, and files of another version."""

import tomllib

import pytest

from stager.project.checks import target_faults, version_fault
from stager.project.lines import Where, key_lines, line_of

ROLE = '[[role]]\nname = "drum"\nmatch = ["*"]\n'
LINK = '[[link]]\nname = "pair"\nmatch = ["*"]\n'

TOO_HIGH = {
    "in the target": ('[target]\nrule = "peak"\nlevel_db = -2.9', ("target", "level_db"), 3),
    "under the default ceiling": ('[target]\nlevel_db = 0\nrule = "peak"', ("target", "level_db"), 2),
    "in the target, not once more for each role": (
        f'[target]\nrule = "peak"\nlevel_db = -1\n{ROLE}{ROLE}target.tolerance_db = 2',
        ("target", "level_db"),
        3,
    ),
    "a role's level": (f"{ROLE}target = {{ rule = 'peak', level_db = -2 }}", ("role", 0, "target", "level_db"), 4),
    "a role's rule over the target's level": (
        f'[target]\nlevel_db = -1\n{ROLE}target.rule = "peak"',
        ("role", 0, "target", "rule"),
        6,
    ),
    "a role's ceiling under the target's level": (
        f'[target]\nrule = "peak"\nlevel_db = -9\n{ROLE}[role.target]\nceiling_dbtp = -12',
        ("role", 0, "target", "ceiling_dbtp"),
        8,
    ),
    "the second role's": (
        f"{ROLE}{ROLE}target = {{ rule = 'peak', level_db = -1 }}",
        ("role", 1, "target", "level_db"),
        7,
    ),
    "a link's": (f"{LINK}target = {{ rule = 'peak', level_db = -1 }}", ("link", 0, "target", "level_db"), 4),
}

SOUND = {
    "a peak at the ceiling": '[target]\nrule = "peak"\nlevel_db = -3',
    "an average over the ceiling": "[target]\nlevel_db = -1",
    "a peak that a role brings down": f'[target]\nlevel_db = -1\n{ROLE}target = {{ rule = "peak", level_db = -10 }}',
    "a ceiling that a role raises": f"{ROLE}target = {{ rule = 'peak', level_db = -2, ceiling_dbtp = -1 }}",
    "a role by leave": f"{ROLE}target = {{ rule = 'leave' }}",
    "a link by average": f"{LINK}target = {{ level_db = -20 }}",
    "faulty in itself": '[target]\nrule = "peak"\nlevel_db = "loud"',
    "a role faulty in itself": f"{ROLE}target = {{ rule = 'peak', level_db = inf }}",
    "no tables": "role = 3\nlink = [4]\ntarget = {}",
}


@pytest.mark.parametrize(("text", "where", "line"), TOO_HIGH.values(), ids=TOO_HIGH.keys())
def test_peak_over_its_ceiling_is_a_fault(text: str, where: Where, line: int) -> None:
    """A peak level that the ceiling forbids is told once, at the key of the table that brings it about."""
    faults = list(target_faults(tomllib.loads(text)))
    assert [fault.where for fault in faults] == [where]
    assert "at or under the ceiling" in faults[0].says
    assert line_of(where, key_lines(text)) == line


@pytest.mark.parametrize("text", SOUND.values(), ids=SOUND.keys())
def test_target_that_can_be_met_is_no_fault(text: str) -> None:
    """Only contradictions are told, and a value that is faulty in itself is left to its own message."""
    assert list(target_faults(tomllib.loads(text))) == []


@pytest.mark.parametrize(
    "text",
    [f"{LINK}target = {{ rule = 'leave' }}", f"[target]\nrule = 'leave'\n{LINK}"],
    ids=["its own", "of the whole project"],
)
def test_leave_inside_a_link_is_a_fault(text: str) -> None:
    """Stems that share a trim can't be left as they are, whichever table says so."""
    (fault,) = target_faults(tomllib.loads(text))
    assert fault.says == 'link."pair".target.rule: expected a rule that a group can share, found "leave"'


@pytest.mark.parametrize("text", ["", "version = 1"], ids=["none", "the known one"])
def test_known_version_passes(text: str) -> None:
    """A file without a version is of the known one."""
    assert version_fault(tomllib.loads(text)) is None


@pytest.mark.parametrize("found", ["0", "2", "1.0", "true", '"1"', "[1]"])
def test_other_version_is_a_fault(found: str) -> None:
    """Only the whole number 1 is the known version."""
    fault = version_fault(tomllib.loads(f"version = {found}"))
    assert fault is not None
    assert fault.says.startswith("version: expected 1, the one that is known here, found")
