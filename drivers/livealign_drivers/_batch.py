"""The records of one payload while they are collected."""

from collections.abc import Callable, Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from livealign.stream.contracts import Records
from livealign_drivers._envelope import RecordError
from livealign_drivers._lines import shortened

__all__ = ["Batch"]


class Batch:
    """Rows in their order, and what was bad between them."""

    def __init__(self) -> None:
        self._parts: list[tuple[tuple[str, ...], NDArray[np.float64] | list[list[float]]]] = []
        self._bad = 0
        self._last_bad = ""

    def add_line(
        self,
        columns: tuple[str, ...],
        line: bytes,
        read: Callable[[bytes], list[float] | None],
        *,
        may_be_cut: bool,
    ) -> None:
        """Read a line and append its record, if it has one; it is bad if it cannot be read, unless it may have been cut."""
        try:
            row = read(line)
        except RecordError as e:
            if not may_be_cut:
                self.add_bad(line, str(e))
            return
        if row is not None:
            self.add_row(columns, row)

    def add_row(self, columns: tuple[str, ...], row: list[float]) -> None:
        """Append one record."""
        if self._parts:
            names, rows = self._parts[-1]
            if names == columns and isinstance(rows, list):
                rows.append(row)
                return
        self._parts.append((columns, [row]))

    def add_rows(self, columns: tuple[str, ...], rows: NDArray[np.float64]) -> None:
        """Append records, one a row."""
        self._parts.append((columns, rows))

    def add_bad(self, line: bytes, why: str) -> None:
        """Count a record that could not be read."""
        self._bad += 1
        self._last_bad = f"{shortened(line)} {why}"

    def records(self, columns: Sequence[str]) -> Records:
        """Return all as columns; `columns` are their names if there is no record."""
        parts = [
            (names, np.concatenate([rows for _, rows in group]))
            for names, group in groupby(self._parts, lambda p: p[0])
        ]
        count = sum(len(rows) for _, rows in parts)
        if len(parts) == 1:
            names, rows = parts[0]
            return Records(dict(zip(names, rows.T, strict=True)), count, self._bad, self._last_bad)
        # The columns changed on the way, or there is nothing at all.
        every = list(dict.fromkeys(name for names, _ in parts for name in names)) or columns
        found = {name: np.full(count, np.nan) for name in every}
        begin = 0
        for names, rows in parts:
            end = begin + len(rows)
            for name, values in zip(names, rows.T, strict=True):
                found[name][begin:end] = values
            begin = end
        return Records(found, count, self._bad, self._last_bad)
