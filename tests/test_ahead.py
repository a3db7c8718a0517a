"""Reading ahead gives what it is given: the same items, the same errors, and nothing is worked on twice at once."""

from collections.abc import Iterator
from threading import current_thread, main_thread

import pytest

from stager.ahead import ahead


def counted(count: int, seen: list[object], fails_at: int | None = None) -> Iterator[int]:
    """Numbers from 0; notes the thread that asks for each."""
    for number in range(count):
        seen.append(current_thread())
        if number == fails_at:
            raise OSError(number)
        yield number


@pytest.mark.parametrize("count", [0, 1, 2, 3, 100])
def test_the_same_items_in_order(count: int) -> None:
    """However many there are."""
    assert list(ahead(counted(count, []))) == list(range(count))


def test_long_ones_are_worked_out_beside() -> None:
    """A third item and those behind it come from another thread, the first two from this one."""
    seen: list[object] = []
    assert len(list(ahead(counted(10, seen)))) == 10
    assert seen[:2] == [main_thread()] * 2
    assert main_thread() not in seen[2:]


def test_one_ahead_and_no_more() -> None:
    """While an item is used, at most the next one is worked out."""
    seen: list[object] = []
    for number in ahead(counted(50, seen)):
        assert len(seen) <= max(2, number + 2)


@pytest.mark.parametrize("fails_at", [0, 1, 2, 5])
def test_an_error_comes_where_it_happened(fails_at: int) -> None:
    """What came before it was given."""
    found = []
    with pytest.raises(OSError, match=str(fails_at)):
        for number in ahead(counted(10, [], fails_at)):
            found.append(number)  # noqa: PERF402 - what was given before the error counts
    assert found == (list(range(fails_at)) if fails_at >= 2 else [])


def test_who_stops_early_leaves_no_thread() -> None:
    """The thread has ended when the iterator is closed."""
    seen: list[object] = []
    given = ahead(counted(50, seen))
    assert [next(given) for _ in range(5)] == [0, 1, 2, 3, 4]
    given.close()  # type: ignore[attr-defined]
    assert not any(thread.is_alive() for thread in seen if thread is not main_thread())  # type: ignore[attr-defined]
