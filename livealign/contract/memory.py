"""How much memory something takes."""

import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

__all__ = ["Memory", "measured"]


@dataclass
class Memory:
    """What Python has allocated while it was measured."""

    most_bytes: int | None = None
    """The most at any time; None until the measuring has ended."""


@contextmanager
def measured() -> Iterator[Memory]:
    """Measure what is allocated inside."""
    already = tracemalloc.is_tracing()
    tracemalloc.start()
    try:
        tracemalloc.reset_peak()
        before, _ = tracemalloc.get_traced_memory()
        memory = Memory()
        yield memory
        memory.most_bytes = tracemalloc.get_traced_memory()[1] - before
    finally:
        if not already:
            tracemalloc.stop()
