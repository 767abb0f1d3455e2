"""What became of every record of a link, by the number that each of them carries."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livealign.stream.clock import unwrap
from livealign.stream.contracts import Floats

__all__ = ["Counted", "RecordCounter"]

_BACK = 256
"""A record that comes again or late is looked for among as many; what goes back farther is a restart."""

_Columns = Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class Counted:
    """The records of one batch after counting."""

    numbers: Floats
    """(n,) numbers that go on past wrap-around, and begin anew after a restart; NaN where a record has none."""
    fresh: NDArray[np.bool_] | None = None
    """Which are no repeats; None if all are."""
    restart_at: int | None = None
    """The first record after a restart of the device, if there was one."""
    explained: int = 0
    """Missing records that are unreadable ones."""

    def only_fresh(self, columns: _Columns) -> "tuple[Counted, _Columns]":
        """Return the same, and the columns, without the repeats."""
        if self.fresh is None:
            return self, columns
        at = None if self.restart_at is None else int(self.fresh[: self.restart_at].sum())
        rest = Counted(self.numbers[self.fresh], None, at, self.explained)
        return rest, {name: values[self.fresh] for name, values in columns.items()}


class RecordCounter:
    """Tells losses, repeats, late records and restarts of the device apart.

    A number that is missing is a loss until it comes late after all. A number that came before is a repeat if all
    else in the record is as it was then; if not, the device has begun to count anew. So has one whose number leaps
    farther than there was time for, or whose clock went back.
    """

    def __init__(self, field: str, bits: int) -> None:
        """Take the field with the number, and its width."""
        self.field = field
        self._modulus = 2.0**bits
        self._back = min(_BACK, int(self._modulus // 2) - 1)
        self._top: float | None = None
        self._forgive = False
        self._missing: dict[float, None] = {}
        self._blocks: deque[tuple[Floats, _Columns]] = deque()
        self._kept = 0
        self.missed = 0
        self.repeated = 0
        self.late = 0
        self.restarts = 0

    def interrupted(self) -> None:
        """The link was lost or frames were dropped, which is told elsewhere: the next gap is none of ours."""
        self._forgive = True

    def take(
        self,
        columns: _Columns,
        count: int,
        *,
        explained: int,
        largest_gap: float,
        clock_fell_at: int | None,
    ) -> Counted:
        """Count the records of a batch.

        Args:
            columns: all of the records' fields.
            count: number of records.
            explained: unreadable records that may stand in a gap, and are counted already.
            largest_gap: more than this cannot have been lost since the batch before.
            clock_fell_at: the first record whose device clock went back, if there is one.
        """
        raw = columns.get(self.field)
        numbers = np.full(count, np.nan)
        if raw is None:
            return Counted(numbers)
        rows = np.flatnonzero(np.isfinite(raw))
        if rows.size == 0:
            return Counted(numbers)
        numbers[rows] = unwrap(raw[rows], self._top, self._modulus)
        first, last = float(numbers[rows[0]]), float(numbers[rows[-1]])
        in_order = self._top is None or first == self._top + 1.0
        if clock_fell_at is None and in_order and bool((np.diff(numbers[rows]) == 1.0).all()):
            self._top, self._forgive = last, False
            counted = Counted(numbers)
        elif clock_fell_at is None and self._goes_on(numbers[rows], largest_gap):
            counted = Counted(numbers, explained=self._over_gaps(numbers[rows], explained))
        else:
            counted = self._one_by_one(
                numbers,
                rows.tolist(),
                columns,
                explained=explained,
                largest_gap=largest_gap,
                fell_at=clock_fell_at,
            )
        self._keep(numbers, columns)
        return counted

    def _goes_on(self, numbers: Floats, largest_gap: float) -> bool:
        """Is there nothing but gaps: no step back, and none that is too far?"""
        steps = np.diff(numbers, prepend=numbers[0] - 1.0 if self._top is None else self._top)
        return bool(steps.min() >= 1.0) and bool(steps.max() <= largest_gap)

    def _over_gaps(self, numbers: Floats, explained: int) -> int:
        """Count the gaps between records that go on; return how much of them unreadable records explain."""
        before = np.concatenate([[numbers[0] - 1.0 if self._top is None else self._top], numbers[:-1]])
        filled = 0
        for at in np.flatnonzero(numbers - before > 1.0).tolist():
            self._forgive &= at == 0
            filled += self._gap(float(before[at]), int(numbers[at] - before[at]), explained - filled)
        self._top, self._forgive = float(numbers[-1]), False
        return filled

    def _one_by_one(
        self,
        numbers: Floats,
        rows: list[int],
        columns: _Columns,
        *,
        explained: int,
        largest_gap: float,
        fell_at: int | None,
    ) -> Counted:
        """Count a batch with a gap or a step back; correct `numbers` in place."""
        raw = columns[self.field]
        known = {n: (block, i) for ns, block in self._blocks for i, n in enumerate(ns.tolist())}
        fresh = np.ones(numbers.size, dtype=bool)
        restart_at, filled = None, 0
        for row in rows:
            n = float(unwrap(raw[row : row + 1], self._top, self._modulus)[0])
            step = 1.0 if self._top is None else n - self._top
            if -self._back <= step <= 0.0 and self._came_before(n, row, columns, known, fresh):
                numbers[row] = n
                continue
            step += 0.0 if step > 0.0 else self._modulus
            if step > largest_gap or row == fell_at:
                n = float(raw[row])
                self._restart()
                known = {}
                restart_at = row if restart_at is None else restart_at
            elif self._top is not None:
                n = self._top + step
                filled += self._gap(self._top, int(step), explained - filled)
            self._top, self._forgive, numbers[row] = n, False, n
            known[n] = (columns, row)
        return Counted(numbers, None if fresh.all() else fresh, restart_at, filled)

    def _came_before(
        self,
        n: float,
        row: int,
        columns: _Columns,
        known: dict[float, tuple[_Columns, int]],
        fresh: NDArray[np.bool_],
    ) -> bool:
        """Is it a late record, or one that comes again? Count it if so."""
        if n in self._missing:
            del self._missing[n]
            self.late += 1
            self.missed = max(0, self.missed - 1)
            known[n] = (columns, row)
            return True
        if n in known and _same(known[n], (columns, row)):
            self.repeated += 1
            fresh[row] = False
            return True
        return False

    def _restart(self) -> None:
        self.restarts += 1
        self._missing.clear()
        self._blocks.clear()
        self._kept = 0

    def _gap(self, top: float, step: int, explained: int) -> int:
        """Count a gap, unless it is forgiven; return how much of it unreadable records explain."""
        if self._forgive or step == 1:
            return 0
        filled = min(step - 1, explained)
        self.missed += step - 1 - filled
        self._missing.update(dict.fromkeys(top + n for n in range(max(1, step - self._back), step)))
        while len(self._missing) > self._back:
            del self._missing[next(iter(self._missing))]
        return filled

    def _keep(self, numbers: Floats, columns: _Columns) -> None:
        self._blocks.append((numbers, columns))
        self._kept += numbers.size
        while self._kept - self._blocks[0][0].size >= self._back:
            self._kept -= self._blocks.popleft()[0].size


def _same(one: tuple[_Columns, int], other: tuple[_Columns, int]) -> bool:
    """Is all in two records the same?"""
    (before, i), (now, k) = one, other
    return before.keys() == now.keys() and all(
        before[name][i] == values[k] or (np.isnan(before[name][i]) and np.isnan(values[k]))
        for name, values in now.items()
    )
