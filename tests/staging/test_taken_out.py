"""Which staged stems were taken out of the inbox."""

from stager.staging.batch import stage_all
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from stager.staging.taken_out import TakenOut, taken_out
from tests.support.folders import in_memory, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav


def test_a_stem_without_an_original_is_taken_out_while_its_copy_lies_there() -> None:
    """Named with its copy; not once the copy is removed as well, nor where the whole inbox is away."""
    with in_memory() as folder:
        song = project(folder)
        for seed, name in enumerate(("a.wav", "b.wav")):
            written(song.inbox / name, wav(white_noise(9_600, 2, seed=seed)), age_s=100.0)
        with staging(song) as held:
            stage_all(held, ("a.wav", "b.wav"), again=False, on_outcome=lambda _: None, executor=ExecutorChoice(1))
        assert taken_out(song) == ()
        (song.inbox / "b.wav").unlink()
        assert taken_out(song) == (TakenOut("b.wav", f"{song.outbox.name}/b.wav"),)
        moved = song.inbox.rename(song.inbox.with_name("elsewhere"))
        assert taken_out(song) == ()
        moved.rename(song.inbox)
        (song.outbox / "b.wav").unlink()
        assert taken_out(song) == ()
