"""What several tests share is worked out once a run, also where several processes run the tests."""

import fcntl
import json
import os
from collections.abc import Callable
from typing import Any

import pytest


def once(factory: pytest.TempPathFactory, name: str, work_out: Callable[[], Any]) -> Any:
    """Return what `work_out` gives (JSON data); who comes second waits for the first and reads its answer."""
    folder = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    answer = folder / f"{name}.json"
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not answer.exists():
            answer.write_text(json.dumps(work_out()), "utf-8")
    return json.loads(answer.read_text("utf-8"))
