"""When a process has come to rest, and what it costs: by the system's own account (Linux)."""

import os
import time
from pathlib import Path
from typing import Final

AT_MOST_S: Final = 120.0
STIRS_S: Final = 0.1
"""Processor time; more within the while that counts as calm is work that is still under way."""


def processor_s(pid: int) -> float:
    """Return the processor time that a process has taken, in s."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def comes_to_rest(pid: int, calm_s: float) -> bool:
    """Wait until a process has done next to nothing for so long; False where it never did."""
    begun_s = since_s = time.monotonic()
    before_s = processor_s(pid)
    while time.monotonic() - since_s < calm_s:
        if time.monotonic() - begun_s > AT_MOST_S:
            return False
        time.sleep(0.5)
        if processor_s(pid) - before_s > STIRS_S:
            before_s, since_s = processor_s(pid), time.monotonic()
    return True
