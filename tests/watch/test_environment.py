"""Sleep and clock leaps from two clocks of numbers; file systems from a table as proc(5) describes it."""

from pathlib import Path

import pytest

from stager.watch.environment import JUMP_S, ClockJumps, lacks_events

TABLE = b"""21 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
30 21 0:40 / /mnt/share rw,relatime - nfs4 server:/songs rw
31 21 0:41 / /mnt/share/disk rw,relatime - ext4 /dev/sdb rw
32 21 0:42 / /mnt/two\\040words rw - cifs //server/songs rw
33 21 0:43 / /mnt/cloud rw shared:2 master:1 - fuse.somedrive drive rw
"""


def test_sleep_and_a_set_clock_are_noticed_once() -> None:
    """The clocks stay together while the machine runs; apart, something happened to it, and is told once."""
    clocks = {"wall": 1000.0, "running": 50.0}
    wakes = ClockJumps(lambda: clocks["wall"], lambda: clocks["running"])

    def after(wall_s: float, running_s: float) -> bool:
        clocks["wall"] += wall_s
        clocks["running"] += running_s
        return wakes.happened()

    assert not after(1.0, 1.0)
    assert not after(3600.0, 3600.0)
    assert after(3600.0, 1.0)
    assert not after(1.0, 1.0)
    assert after(-3600.0, 1.0)
    assert not after(JUMP_S + 0.9, 1.0)


@pytest.mark.parametrize(
    ("folder", "silent"),
    [
        ("/home/song/bounces", False),
        ("/mnt/share/song", True),
        ("/mnt/share", True),
        ("/mnt/shared", False),
        ("/mnt/share/disk/song", False),
        ("/mnt/two words/song", True),
        ("/mnt/cloud/song", True),
    ],
)
def test_network_folders_are_known_by_their_mount(tmp_path: Path, folder: str, silent: bool) -> None:
    """The nearest mount point above a folder says on what kind of file system it lies."""
    table = tmp_path / "mountinfo"
    table.write_bytes(TABLE)
    assert lacks_events(Path(folder), table) is silent


def test_unknown_system(tmp_path: Path) -> None:
    """Where no table is, a folder counts as one that tells."""
    assert not lacks_events(tmp_path, tmp_path / "none")
