"""Counting a run with gaps at once gives what counting one by one gives."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.stream.counter import RecordCounter

STEPS = st.lists(st.sampled_from([1, 1, 1, 1, 2, 5, 300, 0, -1, -3, 3000]), min_size=1, max_size=40)


def counted(batches: list[tuple[list[int], int, bool]], bits: int) -> list[object]:
    """All that is known after each batch of numbers."""
    counter, found = RecordCounter("n", bits), []
    for numbers, explained, interrupted in batches:
        if interrupted:
            counter.interrupted()
        raw = np.array(numbers, np.float64) % 2.0**bits
        given_all = {"n": raw, "angle": raw / 2.0}
        told = counter.take(given_all, raw.size, explained=explained, largest_gap=1000.0, clock_fell_at=None)
        fresh = None if told.fresh is None else told.fresh.tolist()
        found += [told.numbers.tolist(), fresh, told.restart_at, told.explained, list(counter._missing)]
        found += [counter.missed, counter.repeated, counter.late, counter.restarts]
    return found


@settings(max_examples=50)
@given(
    batches=st.lists(st.tuples(STEPS, st.integers(0, 3), st.booleans()), min_size=1, max_size=5),
    bits=st.sampled_from([8, 16, 32]),
)
def test_all_at_once_is_as_one_by_one(batches: list[tuple[list[int], int, bool]], bits: int) -> None:
    at, numbered = 1000, []
    for steps, explained, interrupted in batches:
        numbers = [at := at + step for step in steps]
        numbered.append((numbers, explained, interrupted))
    at_once = counted(numbered, bits)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RecordCounter, "_goes_on", lambda *_: False)
        assert counted(numbered, bits) == at_once
