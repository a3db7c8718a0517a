"""One lowest bit turned over, the sidecar's hash put right: where it is, and no guess; and copies at trim 0."""

import json
import struct
from collections.abc import Iterator
from hashlib import sha256

import numpy as np
import pytest
import soundfile

from stager.project import Project
from stager.staging.batch import stage_all
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from stager.verify import Verified, verify_project
from tests.support.folders import in_memory, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav

RAISED = '[target]\nrule = "peak"\nlevel_db = -3.5\ntolerance_db = 0.0\nceiling_dbtp = 0.0\n'
LEFT = '[target]\nrule = "leave"\n'
CHUNKS = [(b"zOdd", b"seven b"), (b"LIST", b"INFOfour")]


@pytest.fixture
def song(request: pytest.FixtureRequest) -> Iterator[Project]:
    """Yield a project with these settings, its inbox empty."""
    with in_memory() as folder:
        yield project(folder, getattr(request, "param", RAISED))


def staged(song: Project, name: str, content: bytes) -> None:
    written(song.inbox / name, content, age_s=100.0)
    with staging(song) as held:
        stage_all(held, (name,), again=False, on_outcome=lambda _: None, executor=ExecutorChoice(1))


def replaced(song: Project, name: str, content: bytes) -> Verified:
    """Put another copy in place, with its true hash in the sidecar, and prove it."""
    place = song.outbox / f"{name}.json"
    assert (song.outbox / name).read_bytes() != content
    (song.outbox / name).write_bytes(content)
    data = json.loads(place.read_text("utf-8"))
    data["copy"]["sha256"] = sha256(content).hexdigest()
    place.write_text(json.dumps(data), "utf-8")
    (proof,) = verify_project(song)
    return proof


def flipped(content: bytes, frame: int, frame_bytes: int) -> bytes:
    """Turn over the lowest bit of a frame's first sample."""
    changed = bytearray(content)
    changed[content.index(b"data") + 8 + frame * frame_bytes] ^= 1
    return bytes(changed)


MONO = white_noise(9_600, rms=0.05)
SONGS = {
    "mono": (wav(MONO), 3),
    "dual mono": (wav(np.repeat(MONO, 2, axis=1)), 6),
    "stereo": (wav(white_noise(9_600, 2, rms=0.05)), 6),
    "16 bits": (wav(MONO, 16), 2),
    "float": (float_wav(MONO), 4),
    "float, dual mono": (float_wav(np.repeat(MONO, 2, axis=1)), 8),
    "shorter than a guess needs": (wav(MONO[4_700:4_900]), 3),
}


@pytest.mark.parametrize("frame", [0, 100, 133])
@pytest.mark.parametrize(("content", "frame_bytes"), SONGS.values(), ids=SONGS.keys())
def test_one_lowest_bit_is_one_sample_and_no_guess(song: Project, content: bytes, frame_bytes: int, frame: int) -> None:
    """A step beside what the trim gives is inside the dither's reach: nothing but its place is said."""
    staged(song, "a.wav", content)
    proof = replaced(song, "a.wav", flipped((song.outbox / "a.wav").read_bytes(), frame, frame_bytes))
    at_s = frame / 48_000
    assert proof.differences == [f"1 sample is not what the recorded trim gives, the first at {at_s:.3f} s (channel 1)"]


def test_the_first_sample_has_its_channel(song: Project) -> None:
    """Channels count from 1, and samples are counted."""
    staged(song, "a.wav", SONGS["stereo"][0])
    copy = bytearray((song.outbox / "a.wav").read_bytes())
    for at in (6 * 100 + 3, 6 * 200):
        copy[copy.index(b"data") + 8 + at] ^= 1
    assert replaced(song, "a.wav", bytes(copy)).differences == [
        "2 samples are not what the recorded trim gives, the first at 0.002 s (channel 2)"
    ]


LEFT_ALONE = {
    "other bytes": (lambda c: c.replace(b"seven b", b"seven c"), "the chunk zOdd has other bytes"),
    "another pad byte": (lambda c: c.replace(b"seven b\0", b"seven b\1"), "the chunk zOdd has other bytes"),
    "another format": (lambda c: c.replace(struct.pack("<I", 288_000), bytes(4), 1), "the chunk fmt has other bytes"),
    "more behind": (lambda c: c + b"behind the end", "the bytes behind its last chunk differ"),
    "the top": (lambda c: c[:4] + struct.pack("<I", len(c) - 9) + c[8:], "the bytes before its first chunk differ"),
    "a longer chunk": (
        lambda c: (
            c[:4] + struct.pack("<I", len(c)) + c[8:].replace(b"LIST\x08\0\0\0INFO", b"LIST\x10\0\0\0INFO12345678")
        ),
        "the chunk LIST has other bytes",
    ),
}


@pytest.mark.parametrize("song", [LEFT], indirect=True)
@pytest.mark.parametrize("name", LEFT_ALONE)
def test_a_copy_at_trim_0_is_compared_byte_for_byte(song: Project, name: str) -> None:
    """Whatever changed around its samples is named, chunk by chunk."""
    change, says = LEFT_ALONE[name]
    staged(song, "a.wav", wav(white_noise(9_600, 2, rms=0.05), before=CHUNKS[:1], after=CHUNKS[1:]))
    proof = replaced(song, "a.wav", change((song.outbox / "a.wav").read_bytes()))
    assert says in proof.differences
    assert len(proof.differences) <= 2


@pytest.mark.parametrize("song", [LEFT], indirect=True)
@pytest.mark.parametrize("suffix", ["aiff", "caf", "flac"])
def test_other_containers_at_trim_0_are_their_originals(song: Project, suffix: str) -> None:
    """Their chunks are not read, so none is named: the hash tells that a copy has other bytes; and none is listed."""
    name = f"a.{suffix}"
    path = song.folder / f"made.{suffix}"
    soundfile.write(path, white_noise(9_600, 2, rms=0.05), 48_000, subtype="PCM_24")
    staged(song, name, path.read_bytes())
    (proof,) = verify_project(song)
    assert (proof.differences, proof.chunks) == ([], {})
    with soundfile.SoundFile(song.folder / f"tagged.{suffix}", "w", 48_000, 2, "PCM_24") as file:
        file.title = "another title"
        file.write(soundfile.read(path)[0])
    proof = replaced(song, name, (song.folder / f"tagged.{suffix}").read_bytes())
    assert proof.differences == ["it should be its original byte for byte, and has other bytes around its samples"]


def test_a_copy_in_another_container_is_a_difference(song: Project) -> None:
    """The same samples in another kind of file are not the copy that was made."""
    staged(song, "a.wav", SONGS["stereo"][0])
    path = song.folder / "made.flac"
    soundfile.write(path, *soundfile.read(song.outbox / "a.wav"), subtype="PCM_24")
    proof = replaced(song, "a.wav", path.read_bytes())
    assert proof.differences == ["expected WAV as its original is, found FLAC"]
