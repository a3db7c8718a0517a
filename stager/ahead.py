"""Reading ahead: the next item of an iterator is worked out in a thread of its own while the last one is used."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import Final, TypeVar

T = TypeVar("T")

ALONE: Final = 2
"""Items that the calling thread works out itself: what is so short is not worth another thread."""


def ahead(items: Iterator[T]) -> Iterator[T]:
    """Give what `items` gives, in order, its errors too; one item is worked out ahead of the one that is given.

    Only one thread at a time works on `items`.
    """
    first = list(islice(items, ALONE))
    yield from first
    if len(first) < ALONE:
        return
    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as reader:
        coming = reader.submit(_some, items)
        while found := coming.result():
            coming = reader.submit(_some, items)
            yield from found


def _some(items: Iterator[T]) -> list[T]:
    """The next item, or nothing at the end."""
    return list(islice(items, 1))
