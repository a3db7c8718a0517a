"""EBU Tech 3341 cases 7 and 8, Tech 3342 cases 5 and 6: the EBU's own programme files, which can't be synthesised.

They run where STAGER_EBU_DIR names a folder that holds the files of the EBU's loudness test set. Each file is known by
the number of its case in its name, "seq-3341-7..." and "seq-3341-2011-8..." (from memory).
"""

import os
import re
from pathlib import Path
from typing import Any, Final

import pytest

from tests.support.command import Command

FOLDER: Final = os.environ.get("STAGER_EBU_DIR")
PROGRAMMES: Final = {7: (-23.0, 5.0), 8: (-23.0, 15.0)}
"""By case of Tech 3341: integrated loudness in LUFS, within 0.1; range in LU, within 1 (Tech 3342 cases 5 and 6)."""

pytestmark = pytest.mark.skipif(FOLDER is None, reason="STAGER_EBU_DIR does not name the EBU's test files")


def _levels(stager: Command, case: int) -> dict[str, Any]:
    known = re.compile(rf"3341(-2011)?-{case}\D")
    files = [path for path in sorted(Path(FOLDER or "").rglob("*.wav")) if known.search(path.name)]
    assert files, f"{FOLDER} holds no file of Tech 3341 case {case}"
    found: dict[str, Any] = stager("measure", files[0], "--json").json()["stems"][0]["levels"]
    return found


@pytest.mark.parametrize("case", PROGRAMMES, ids=lambda case: f"EBU Tech 3341 case {case}")
def test_programme_reads_its_loudness(stager: Command, case: int) -> None:
    """Integrated loudness of the EBU's programme is -23.0 LUFS within 0.1."""
    assert _levels(stager, case)["loudness_lufs"] == pytest.approx(PROGRAMMES[case][0], abs=0.1)


@pytest.mark.parametrize("case", PROGRAMMES, ids=lambda case: f"EBU Tech 3342 case {case - 2}")
def test_programme_reads_its_range(stager: Command, case: int) -> None:
    """Loudness range of the EBU's programme is 5 LU (case 5) and 15 LU (case 6), within 1."""
    assert _levels(stager, case)["loudness_range_lu"] == pytest.approx(PROGRAMMES[case][1], abs=1.0)
