"""Reading ahead gives what it is given: the same items, the same errors, and nothing is worked on twice at once."""

import multiprocessing
from collections.abc import Generator
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from threading import current_thread, main_thread

import pytest

from stager.system.prefetch import helper_threads, prefetched


def counted(count: int, seen: list[object], fails_at: int | None = None) -> Generator[int, None, None]:
    """Numbers from 0; notes the thread that asks for each."""
    for number in range(count):
        seen.append(current_thread())
        if number == fails_at:
            raise OSError(number)
        yield number


@pytest.mark.parametrize("count", [0, 1, 2, 3, 100])
def test_the_same_items_in_order(count: int) -> None:
    """However many there are."""
    assert list(prefetched(counted(count, []))) == list(range(count))


def test_long_ones_are_worked_out_beside() -> None:
    """A third item and those behind it come from another thread, the first two from this one."""
    seen: list[object] = []
    assert len(list(prefetched(counted(10, seen)))) == 10
    assert seen[:2] == [main_thread()] * 2
    assert main_thread() not in seen[2:]


def test_one_ahead_and_no_more() -> None:
    """While an item is used, at most the next one is worked out."""
    seen: list[object] = []
    for number in prefetched(counted(50, seen)):
        assert len(seen) <= max(2, number + 2)


@pytest.mark.parametrize("fails_at", [0, 1, 2, 5])
def test_an_error_comes_where_it_happened(fails_at: int) -> None:
    """What came before it was given."""
    given = prefetched(counted(10, [], fails_at))
    found = list(islice(given, fails_at))
    with pytest.raises(OSError, match=str(fails_at)):
        next(given)
    assert found == list(range(fails_at))


def test_who_stops_early_is_not_worked_for_any_more() -> None:
    """Once the iterator is closed, nobody works on the items."""
    seen: list[object] = []
    items = counted(50, seen)
    given = prefetched(items)
    assert [next(given) for _ in range(5)] == [0, 1, 2, 3, 4]
    given.close()
    assert not items.gi_running
    assert len(seen) <= 6
    assert next(items) in (5, 6)


def _beside_in_a_child() -> int:
    return helper_threads().submit(int, "7").result(10)


def test_a_forked_process_has_threads_of_its_own() -> None:
    """A child that was forked once the threads were there does not wait for its parent's."""
    assert helper_threads().submit(int, "7").result(10) == 7
    with ProcessPoolExecutor(1, multiprocessing.get_context("fork")) as child:
        assert child.submit(_beside_in_a_child).result(20) == 7
