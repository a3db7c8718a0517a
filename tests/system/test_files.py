"""The one writing hand: whole or not at all, never over another's file, and every failure as a sentence."""

import errno
import fcntl
import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from stager.errors import NameRefused, NoSpace, PlaceError, PlaceGone, PlaceRefused
from stager.system import drafts
from stager.system.drafts import DRAFT_PREFIX
from stager.system.files import (
    Draft,
    draft_in,
    fingerprint,
    folder_identity,
    is_folder,
    make_folder,
    open_source,
    placing,
    read_whole,
    remove,
    sha256_of,
    sweep_drafts,
    sync_folder,
    write_new,
    write_whole,
)
from tests.support.folders import tree, written

NOBODY = "99999999"
"""A number that no process has: the system's largest is 4194304."""


def sealed(folder: Path, content: bytes = b"new") -> Draft:
    draft = draft_in(folder)
    draft.file.write(content)
    draft.seal()
    return draft


def failing(number: int) -> Callable[..., None]:
    """A system call that fails with this error."""

    def fail(*_args: object, **_keys: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


def test_draft_is_hidden_until_it_is_published(tmp_path: Path) -> None:
    """A draft lies beside its place under a name that no reader takes for a stem; then it has its own."""
    draft = sealed(tmp_path)
    (name,) = tree(tmp_path)
    assert name.startswith(DRAFT_PREFIX)
    draft.publish(tmp_path / "a.wav")
    assert tree(tmp_path) == {"a.wav": b"new"}


def test_drafts_have_names_of_their_own(tmp_path: Path) -> None:
    """Two drafts of one folder never meet."""
    one, other = draft_in(tmp_path), draft_in(tmp_path)
    assert one.path != other.path
    one.discard()
    other.discard()


def test_told_to_stop_while_a_draft_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal that comes when the system has made the file, and before anybody knows of it, leaves none."""

    def stopped(*_: object) -> None:
        assert len(tree(tmp_path)) == 1
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fdopen", stopped)
    with pytest.raises(KeyboardInterrupt):
        draft_in(tmp_path)
    assert tree(tmp_path) == {}


def test_draft_writes_over_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link under the very name of a draft is not followed, and what it leads to stays."""
    monkeypatch.setattr(drafts, "_NUMBERS", iter([7]))
    written(tmp_path / "theirs", b"theirs")
    (tmp_path / f"{DRAFT_PREFIX}{os.getpid()}-7.tmp").symlink_to(tmp_path / "theirs")
    with pytest.raises(FileExistsError):
        draft_in(tmp_path)
    assert (tmp_path / "theirs").read_bytes() == b"theirs"


def test_draft_makes_its_folder(tmp_path: Path) -> None:
    """A folder that is missing is made, with those above it."""
    sealed(tmp_path / "drums" / "close").publish(tmp_path / "drums" / "close" / "a.wav")
    assert tree(tmp_path) == {"drums/close/a.wav": b"new"}


def test_publish_never_replaces(tmp_path: Path) -> None:
    """Where something has the name, publishing is refused and the other file stays."""
    written(tmp_path / "a.wav", b"theirs")
    draft = sealed(tmp_path)
    with pytest.raises(FileExistsError):
        draft.publish(tmp_path / "a.wav")
    assert (tmp_path / "a.wav").read_bytes() == b"theirs"
    assert draft.path.exists()
    draft.discard()


def test_publish_never_follows_a_link(tmp_path: Path) -> None:
    """A link that leads nowhere has the name as well."""
    (tmp_path / "a.wav").symlink_to(tmp_path / "elsewhere.wav")
    draft = sealed(tmp_path)
    with pytest.raises(FileExistsError):
        draft.publish(tmp_path / "a.wav")
    assert not (tmp_path / "elsewhere.wav").exists()
    draft.discard()


@pytest.mark.parametrize("number", [errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK])
def test_publish_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """On a disk without hard links the copy gets its name all the same."""
    draft = sealed(tmp_path)
    monkeypatch.setattr(os, "link", failing(number))
    draft.publish(tmp_path / "a.wav")
    assert tree(tmp_path) == {"a.wav": b"new"}


def test_publish_without_hard_links_never_replaces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor does it replace anything there."""
    written(tmp_path / "a.wav", b"theirs")
    draft = sealed(tmp_path)
    monkeypatch.setattr(os, "link", failing(errno.EPERM))
    with pytest.raises(FileExistsError):
        draft.publish(tmp_path / "a.wav")
    assert (tmp_path / "a.wav").read_bytes() == b"theirs"
    draft.discard()


def test_replace(tmp_path: Path) -> None:
    """A draft takes the place of what has its name in one step."""
    written(tmp_path / "a.wav", b"old")
    sealed(tmp_path).replace(tmp_path / "a.wav")
    assert tree(tmp_path) == {"a.wav": b"new"}


def test_discard_leaves_nothing(tmp_path: Path) -> None:
    """A draft that isn't wanted is gone, open or sealed, and discarding twice is no error."""
    for draft in (draft_in(tmp_path), sealed(tmp_path)):
        draft.discard()
        draft.discard()
    assert tree(tmp_path) == {}


@pytest.mark.parametrize("call", ["unlink", "close"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EACCES, errno.EROFS, errno.ESTALE])
def test_discard_never_raises(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int) -> None:
    """Whatever the disk says, discarding is quiet: it happens while another error is on its way."""
    draft = draft_in(tmp_path)
    with monkeypatch.context() as patch:
        if call == "unlink":
            patch.setattr(os, "unlink", failing(number))
            Draft(draft.path, draft.file).discard()
        else:
            Draft(draft.path, Unclosable(number)).discard()
    assert tree(tmp_path) == ({draft.path.name: b""} if call == "unlink" else {})
    draft.discard()
    assert tree(tmp_path) == {}


class Unclosable(io.BytesIO):
    """A file on a full disk, whose last bytes can't be flushed."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self._number = number

    def close(self) -> None:
        raise OSError(self._number, os.strerror(self._number))


def test_sealed_draft_is_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sealing syncs the file, with all its bytes, before it is closed."""
    sizes = []
    monkeypatch.setattr(os, "fsync", lambda descriptor: sizes.append(os.fstat(descriptor).st_size))
    draft = sealed(tmp_path, b"x" * 100_000)
    assert sizes == [100_000]
    assert draft.file.closed


def test_a_draft_is_synced_beside_other_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that was written is on the disk at the end, and the draft goes on; where the disk fails, that is said."""
    sizes: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda descriptor: sizes.append(os.fstat(descriptor).st_size))
    draft = draft_in(tmp_path)
    draft.file.write(b"x" * 100_000)
    with draft.syncing():
        pass
    assert sizes == [100_000]
    draft.file.write(b"y")
    draft.seal()
    assert sizes == [100_000, 100_001]


def test_a_disk_that_fails_beside_other_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the disk says comes at the end of the other work."""

    def fails(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fails)
    draft, done = draft_in(tmp_path), []
    with pytest.raises(NoSpace), draft.syncing():
        done.append("other work")
    draft.discard()
    assert (done, tree(tmp_path)) == (["other work"], {})


WRITERS = pytest.mark.parametrize("write", [write_whole, write_new], ids=["write_whole", "write_new"])


@WRITERS
def test_write(tmp_path: Path, write: Callable[[Path, bytes], None]) -> None:
    """A small file appears whole, in a folder that is made for it, and nothing else does."""
    write(tmp_path / "sub" / "a.json", b"content")
    assert tree(tmp_path) == {"sub/a.json": b"content"}


def test_write_whole_replaces(tmp_path: Path) -> None:
    """A file of our own is replaced."""
    written(tmp_path / "a.json", b"old")
    write_whole(tmp_path / "a.json", b"new")
    assert tree(tmp_path) == {"a.json": b"new"}


@pytest.mark.parametrize("there", [False, True], ids=["nothing there", "one of that name"])
@WRITERS
def test_write_is_synced_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path, bytes], None], there: bool
) -> None:
    """The bytes are on the disk before the name is, and the name is brought there after; a taken name ends it."""
    seen: list[object] = []
    if there:
        written(tmp_path / "a.json", b"old")
    if there and write is write_new:
        with pytest.raises(FileExistsError):
            write(tmp_path / "a.json", b"new")
        assert tree(tmp_path) == {"a.json": b"old"}
        return

    def sync(descriptor: int) -> None:
        is_folder_itself = os.fstat(descriptor).st_ino == tmp_path.stat().st_ino
        place = tmp_path / "a.json"
        seen.append((is_folder_itself, place.read_bytes() if place.exists() else None))

    monkeypatch.setattr(os, "fsync", sync)
    write(tmp_path / "a.json", b"new")
    assert seen == [(False, b"old" if there else None), (True, b"new")]


def test_write_new_refuses_to_replace(tmp_path: Path) -> None:
    """A file that is there stays, and no draft is left."""
    written(tmp_path / "a.toml", b"theirs")
    with pytest.raises(FileExistsError):
        write_new(tmp_path / "a.toml", b"new")
    assert tree(tmp_path) == {"a.toml": b"theirs"}


@pytest.mark.parametrize(
    ("write", "call", "name"),
    [
        (write_whole, "fsync", "a.json"),
        (write_whole, "replace", "a.json"),
        (write_new, "fsync", "b.json"),
        (write_new, "fsync", "a.json"),
    ],
    ids=["write_whole, fsync", "write_whole, rename", "write_new, fsync", "write_new, fsync before a taken name"],
)
def test_no_draft_is_left_by_a_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path, bytes], None], call: str, name: str
) -> None:
    """Whichever step fails, what was there stays as it was, nothing new is there, and no draft is left."""
    written(tmp_path / "a.json", b"old")
    monkeypatch.setattr(os, call, failing(errno.ENOSPC))
    with pytest.raises(NoSpace, match="expected room to write"):
        write(tmp_path / name, b"new")
    assert tree(tmp_path) == {"a.json": b"old"}


def test_failure_without_hard_links_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a disk without hard links, a name that was claimed is given back where the rename fails."""
    monkeypatch.setattr(os, "link", failing(errno.EPERM))
    monkeypatch.setattr(os, "replace", failing(errno.EIO))
    with pytest.raises(PlaceError):
        write_new(tmp_path / "a.toml", b"new")
    assert tree(tmp_path) == {}


ERRORS = {
    "disk full": (errno.ENOSPC, NoSpace, "expected room to write"),
    "quota": (errno.EDQUOT, NoSpace, "expected room to write"),
    "file too large for its disk": (errno.EFBIG, NoSpace, "expected room to write"),
    "no permission": (errno.EACCES, PlaceRefused, "expected permission to write"),
    "not permitted": (errno.EPERM, PlaceRefused, "expected permission to write"),
    "read-only disk": (errno.EROFS, PlaceRefused, "expected permission to write"),
    "no such folder": (errno.ENOENT, PlaceGone, "expected a folder to write in"),
    "a file where a folder was": (errno.ENOTDIR, PlaceGone, "expected a folder to write in"),
    "network disk gone": (errno.ESTALE, PlaceGone, "expected a folder to write in"),
    "name too long": (errno.ENAMETOOLONG, NameRefused, "expected a name that leaves room for a log beside it"),
    "input and output": (errno.EIO, PlaceError, "expected to write here"),
}


@pytest.mark.parametrize(("number", "error", "says"), ERRORS.values(), ids=ERRORS.keys())
def test_what_the_system_says_is_translated(number: int, error: type[Exception], says: str) -> None:
    """Each failure becomes one sentence with place, expectation and what was found; its cause is kept."""
    with pytest.raises(error, match=rf"^out/a\.wav: {says}, found: {os.strerror(number)}$") as found:  # noqa: SIM117
        with placing(Path("out/a.wav")):
            failing(number)()
    assert isinstance(found.value.__cause__, OSError)
    assert type(found.value) is error


def test_placing_for_reading() -> None:
    """The sentence says what was to be done."""
    with pytest.raises(PlaceRefused, match="expected permission to read"), placing(Path("in"), "read"):
        failing(errno.EACCES)()


def test_an_existing_file_passes_untranslated() -> None:
    """That a name is taken is no broken place, but for the caller to deal with."""
    with pytest.raises(FileExistsError), placing(Path("a")):
        raise FileExistsError(errno.EEXIST, "exists")


def test_name_too_long_for_real(tmp_path: Path) -> None:
    """The system's own refusal of a name of 256 bytes is a refused name."""
    draft = sealed(tmp_path)
    with pytest.raises(NameRefused, match="File name too long"):
        draft.publish(tmp_path / ("a" * 256))
    draft.discard()


def test_folder_that_is_a_file_for_real(tmp_path: Path) -> None:
    """A file where the outbox should be is a place that is broken."""
    written(tmp_path / "staged", b"")
    with pytest.raises(PlaceError, match="staged"):
        draft_in(tmp_path / "staged" / "drums")


@pytest.mark.parametrize("call", [make_folder, draft_in], ids=["make_folder", "draft_in"])
def test_folder_that_is_a_file_itself(tmp_path: Path, call: Callable[[Path], object]) -> None:
    """Where the folder's own name is a file's, that is a broken place, not a taken name."""
    written(tmp_path / "staged", b"")
    with pytest.raises(PlaceError, match="staged"):
        call(tmp_path / "staged")


UNPRIVILEGED = """
import os
import sys
from pathlib import Path
from stager.system import files
from stager.errors import PlaceRefused
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
try:
    getattr(files, sys.argv[1])(Path(sys.argv[2]))
except PlaceRefused as error:
    print("refused:", error)
"""


def unprivileged(call: str, place: Path) -> str:
    """Call a function of this room as a user who owns nothing, and give what is said."""
    done = subprocess.run(
        [sys.executable, "-c", UNPRIVILEGED, call, place], capture_output=True, text=True, check=True, cwd="/"
    )
    return done.stdout


def opened(folder: Path) -> None:
    """Open to everybody a test's own folder, and into those above it that are the test run's."""
    system = Path(tempfile.gettempdir())
    for ours in (folder, *(above for above in folder.parents if above != system and above.is_relative_to(system))):
        ours.chmod(0o755)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_folder_without_permission_for_real(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A user who may not write there is told so."""
    folder = tmp_path_factory.mktemp("theirs")
    opened(folder)
    says = unprivileged("draft_in", folder)
    assert says == f"refused: {folder}: expected permission to write, found: Permission denied\n"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize("call", ["is_folder", "make_folder"])
def test_looking_without_permission_for_real(tmp_path_factory: pytest.TempPathFactory, call: str) -> None:
    """A folder that we may not look into is told, rather than taken for one that is not there."""
    folder = tmp_path_factory.mktemp("theirs")
    opened(folder)
    (folder / "closed" / "inbox").mkdir(parents=True)
    (folder / "closed").chmod(0o700)
    says = unprivileged(call, folder / "closed" / "inbox")
    assert says == f"refused: {folder}/closed/inbox: expected permission to read, found: Permission denied\n"


IS_FOLDER: dict[str, tuple[Callable[[Path], object], bool]] = {
    "a folder": (Path.mkdir, True),
    "a link to a folder": (lambda place: place.symlink_to(place.parent), True),
    "nothing": (lambda _place: None, False),
    "a file": (Path.touch, False),
    "a link to nothing": (lambda place: place.symlink_to(place.parent / "gone"), False),
    "a pipe": (os.mkfifo, False),
}


@pytest.mark.parametrize(("make", "expected"), IS_FOLDER.values(), ids=IS_FOLDER.keys())
def test_is_folder(tmp_path: Path, make: Callable[[Path], object], expected: bool) -> None:
    """A folder is one, by a link too; all else under the name, or nothing there, is none."""
    make(tmp_path / "a")
    assert is_folder(tmp_path / "a") is expected


def test_nothing_below_a_file_is_a_folder(tmp_path: Path) -> None:
    """Below a file there is no folder, and that is no error."""
    written(tmp_path / "a", b"")
    assert is_folder(tmp_path / "a" / "b") is False


LOOKS = {
    "no permission": (errno.EACCES, PlaceRefused, "expected permission to read"),
    "network disk gone": (errno.ESTALE, PlaceGone, "expected a folder to read in"),
    "input and output": (errno.EIO, PlaceError, "expected to read here"),
}


@pytest.mark.parametrize(("number", "error", "says"), LOOKS.values(), ids=LOOKS.keys())
def test_folder_that_can_not_be_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, error: type[Exception], says: str
) -> None:
    """Where the system does not tell what is there, that is no answer, but a place that is broken."""
    monkeypatch.setattr(Path, "stat", failing(number))
    with pytest.raises(error, match=says) as found:
        is_folder(tmp_path)
    assert type(found.value) is error


def test_remove(tmp_path: Path) -> None:
    """A file of ours is removed; one that is gone is no error."""
    place = written(tmp_path / "a.json", b"x")
    remove(place)
    remove(place)
    assert tree(tmp_path) == {}


def test_make_folder_that_is_there(tmp_path: Path) -> None:
    """A folder that is there is no error."""
    make_folder(tmp_path)
    make_folder(tmp_path / "a" / "b")
    make_folder(tmp_path / "a" / "b")
    assert (tmp_path / "a" / "b").is_dir()


def test_sync_folder_that_is_gone(tmp_path: Path) -> None:
    """A folder that is gone can't be synced, and that is said."""
    with pytest.raises(PlaceGone, match="gone"):
        sync_folder(tmp_path / "gone")


def test_sync_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is synced is the folder itself, and its descriptor is closed."""
    synced = []
    monkeypatch.setattr(os, "fsync", lambda descriptor: synced.append(os.fstat(descriptor).st_ino))
    before = len(list(Path("/proc/self/fd").iterdir()))
    sync_folder(tmp_path)
    assert synced == [tmp_path.stat().st_ino]
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_sweep(tmp_path: Path) -> None:
    """Only drafts go, in subfolders too; what else is hidden or named alike stays."""
    for name in (f".stager-{NOBODY}-2.tmp", f"sub/.stager-{NOBODY}-0.tmp"):
        written(tmp_path / name, b"draft")
    keep = {
        "a.wav": b"1",
        ".stager-notes": b"2",
        "x.tmp": b"3",
        f"sub/a.stager-{NOBODY}-2.tmp": b"4",
        f".git/.stager-{NOBODY}-1.tmp": b"5",
    }
    for name, content in keep.items():
        written(tmp_path / name, content)
    assert sweep_drafts(tmp_path) == 2
    assert tree(tmp_path) == keep


SWEPT = {
    "of a process that runs": (str(os.getppid()), False),
    "of a process that is not ours to signal": ("1", False),
    "of an earlier start under our own number": (str(os.getpid()), True),
    "of a process that has ended": (NOBODY, True),
    "of a number that no process can have": ("9" * 30, True),
    "of no number": ("x", True),
}


@pytest.mark.parametrize(("pid", "goes"), SWEPT.values(), ids=SWEPT.keys())
def test_sweep_leaves_what_others_are_writing(tmp_path: Path, pid: str, goes: bool) -> None:
    """A draft of another process that still runs is being written, by a project with the same outbox, and stays."""
    place = written(tmp_path / "sub" / f".stager-{pid}-0.tmp", b"draft")
    assert sweep_drafts(tmp_path) == goes
    assert place.exists() is not goes


def test_sweep_asks_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that we may not signal runs all the same."""
    monkeypatch.setattr(os, "kill", failing(errno.EPERM))
    written(tmp_path / f".stager-{NOBODY}-0.tmp", b"draft")
    assert sweep_drafts(tmp_path) == 0


def test_sweep_harms_no_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asking whether a process runs sends it nothing."""
    sent: list[tuple[int, int]] = []
    monkeypatch.setattr(os, "kill", lambda *asked: sent.append(asked))
    written(tmp_path / ".stager-4321-0.tmp", b"draft")
    sweep_drafts(tmp_path)
    assert sent == [(4321, 0)]


def test_sweep_follows_no_link(tmp_path: Path) -> None:
    """A link to another folder leads the sweep nowhere."""
    written(tmp_path / "theirs" / f".stager-{NOBODY}-2.tmp", b"draft")
    (tmp_path / "staged").mkdir()
    (tmp_path / "staged" / "link").symlink_to(tmp_path / "theirs")
    assert sweep_drafts(tmp_path / "staged") == 0
    assert (tmp_path / "theirs" / f".stager-{NOBODY}-2.tmp").exists()


def test_sweep_of_nothing(tmp_path: Path) -> None:
    """A folder that is not there holds no drafts."""
    assert sweep_drafts(tmp_path / "gone") == 0


def test_source_is_opened_for_reading_only(tmp_path: Path) -> None:
    """The descriptor of an original can't write, and is closed when another program is started."""
    descriptor = open_source(written(tmp_path / "a.wav", b"abc"))
    try:
        assert fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY
        assert fcntl.fcntl(descriptor, fcntl.F_GETFD) & fcntl.FD_CLOEXEC
    finally:
        os.close(descriptor)


def test_fingerprint_sees_a_change_of_equal_size(tmp_path: Path) -> None:
    """Another content of the same size under a set-back time stamp is another file."""
    path = written(tmp_path / "a.wav", b"abc", age_s=100.0)
    before = path.stat()
    path.write_bytes(b"xyz")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_mtime_ns == before.st_mtime_ns
    assert fingerprint(path.stat()) != fingerprint(before)


def test_fingerprint_of_an_untouched_file(tmp_path: Path) -> None:
    """Reading a file leaves its fingerprint as it is."""
    path = written(tmp_path / "a.wav", b"abc", age_s=100.0)
    before = fingerprint(path.stat())
    path.read_bytes()
    assert fingerprint(path.stat()) == before


def test_sha256(tmp_path: Path) -> None:
    """The hash of three known bytes (FIPS 180-4, example "abc")."""
    path = written(tmp_path / "a", b"abc")
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize("read", [sha256_of, read_whole], ids=["sha256_of", "read_whole"])
def test_what_can_not_be_read_is_none(tmp_path: Path, read: Callable[[Path], object]) -> None:
    """Where there is nothing, or a folder, there is no content."""
    assert read(tmp_path / "gone") is None
    assert read(tmp_path) is None


@pytest.mark.parametrize("read", [sha256_of, read_whole], ids=["sha256_of", "read_whole"])
def test_what_is_no_regular_file_is_none(tmp_path: Path, read: Callable[[Path], object]) -> None:
    """What is no regular file has no content, and does not make us wait."""
    os.mkfifo(tmp_path / "pipe")
    assert read(Path("/dev/zero")) is None
    assert read(tmp_path / "pipe") is None


def test_read_whole(tmp_path: Path) -> None:
    """A small file is given as it is."""
    assert read_whole(written(tmp_path / "a", b"abc")) == b"abc"


def test_another_folder_under_the_same_name(tmp_path: Path) -> None:
    """A folder that was removed and made anew is another one; one that is gone is none."""
    folder = tmp_path / "bounces"
    folder.mkdir()
    before = folder_identity(folder)
    assert folder_identity(folder) == before
    folder.rename(tmp_path / "kept")
    assert folder_identity(folder) is None
    folder.mkdir()
    assert folder_identity(folder) not in (None, before)


def test_a_folder_is_made_only_below_one_that_is_there(tmp_path: Path) -> None:
    """Folders below a disk that is there are made; the disk's own folder never is, nor anything in its place."""
    disk = tmp_path / "disk"
    for folder in (disk, disk / "drums" / "close"):
        with pytest.raises(PlaceGone, match="expected a folder, found none"):
            draft_in(folder, disk)
    assert not disk.exists()
    disk.mkdir()
    draft_in(disk / "drums" / "close", disk).discard()
    assert (disk / "drums" / "close").is_dir()
