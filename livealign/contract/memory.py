"""How much memory something takes."""

import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["Memory", "measured"]


class Memory:
    """Bytes that Python has allocated since the measuring began."""

    def __init__(self) -> None:
        self._before = tracemalloc.get_traced_memory()[0]

    @property
    def most_bytes(self) -> int:
        """The most that were allocated at any time."""
        return tracemalloc.get_traced_memory()[1] - self._before


@contextmanager
def measured() -> Iterator[Memory]:
    """Measure what is allocated inside."""
    already = tracemalloc.is_tracing()
    tracemalloc.start()
    try:
        tracemalloc.reset_peak()
        yield Memory()
    finally:
        if not already:
            tracemalloc.stop()
