"""Numbers from the body of a line, for one line or for many at a time."""

import math
import re
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from livealign.errors import PersonError
from livealign_drivers._envelope import RecordError

__all__ = ["WHITESPACE", "PlainCells", "labelled_row", "number", "split_cells", "written"]

WHITESPACE = "whitespace"
NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
IN_NUMBERS = b"0123456789+-.eE"
PADDING = b" \t"
NEWLINE = ord("\n")
WHOLE = 2.0**53


def number(cell: bytes) -> float:
    """Return the number in a cell; NaN if it is empty.

    Raises:
        RecordError: if it is not a plain decimal number, or too large.
    """
    cell = cell.strip(PADDING)
    if not cell:
        return math.nan
    # float() alone would take "nan", "inf" and "1_000".
    if NUMBER.fullmatch(cell) is None or not math.isfinite(value := float(cell)):
        raise RecordError(f"has {cell.decode('latin-1')[:20]!a} where a number should be")
    return value


def split_cells(body: bytes, delimiter: str) -> list[bytes]:
    """Return the cells of a body; runs of blanks count as one delimiter if that is `whitespace`."""
    if delimiter == WHITESPACE:
        return [c for c in body.replace(b"\t", b" ").split(b" ") if c]
    return body.split(delimiter.encode())


def labelled_row(body: bytes, columns: Sequence[str], delimiter: str, separator: str) -> list[float]:
    """Return the numbers of cells such as `angle:12.5` in the columns' order; NaN where a label is missing.

    Raises:
        RecordError: if a cell has no label, a label comes twice, or a known label has no number.
    """
    found: dict[str, float] = {}
    for cell in split_cells(body, delimiter):
        label, sign, value = cell.partition(separator.encode())
        name = label.strip(PADDING).decode("latin-1")
        if not sign:
            if name:
                raise RecordError(f"has a cell without {separator!r}")
            continue  # a delimiter at the end of the line
        if name in columns:
            if name in found:
                raise RecordError(f"has {name!r} twice")
            found[name] = number(value)
    return [found.get(name, math.nan) for name in columns]


def written(fields: Mapping[str, float], name: str, decimals: int) -> str | None:
    """Return a field's value in digits, whole numbers without a point; None if it is missing."""
    value = float(fields.get(name, math.nan))
    if math.isnan(value):
        return None
    if math.isinf(value):
        raise PersonError(
            f"the field {name!r} is infinite and cannot be sent", advice="Leave it out if it is missing."
        )
    if abs(value) >= WHOLE:
        return repr(value)
    return str(int(value)) if value.is_integer() else f"{value:.{decimals}f}"


class PlainCells:
    """Cells that hold nothing but numbers, a fixed count of them."""

    def __init__(self, count: int, delimiter: str) -> None:
        self._count = count
        self._delimiter = delimiter
        one = b"" if delimiter == WHITESPACE else delimiter.encode()
        self._split_at = one or None
        self._allowed = np.zeros(256, np.bool_)
        self._allowed[np.frombuffer(IN_NUMBERS + PADDING + b"\n" + one, np.uint8)] = True

    def row(self, body: bytes) -> list[float]:
        """Return the numbers of one body.

        Raises:
            RecordError: if their count is wrong or one of them is no number.
        """
        cells = split_cells(body, self._delimiter)
        if len(cells) != self._count:
            raise RecordError(f"has {len(cells)} cells instead of {self._count}")
        return [number(c) for c in cells]

    def rows(self, text: NDArray[np.uint8]) -> tuple[NDArray[np.float64] | None, NDArray[np.bool_]]:
        r"""Return the numbers of many bodies, each with a \n at its end.

        Returns:
            rows and columns of numbers, or None unless every body was plain: all cells there, and numbers;
            and which were. What is not plain may still be right (it may have an empty cell): `row` decides.
        """
        odd = np.flatnonzero(~self._allowed[text])
        ends = np.flatnonzero(text == NEWLINE)
        if len(odd):
            plain = np.ones(len(ends), np.bool_)
            plain[np.searchsorted(ends, odd)] = False
        else:
            plain = self._complete(text, ends)
        if not plain.all():
            return None, plain
        try:
            numbers = np.fromiter(map(float, self._tokens(text, ends)), np.float64, len(ends) * self._count)
        except ValueError:  # something like "1-2" or a cell of blanks; which line it was, `row` finds
            return None, np.zeros(len(ends), np.bool_)
        values = numbers.reshape(len(ends), self._count)
        plain = np.logical_and.reduce(np.isfinite(values), axis=1)
        return (values if plain.all() else None), plain

    def _complete(self, text: NDArray[np.uint8], ends: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Tell which bodies have the right count of cells, none of them empty."""
        if self._split_at is None:
            blank = text <= ord(" ")
            begins = ~blank
            begins[1:] &= blank[:-1]
            last = np.searchsorted(np.flatnonzero(begins), ends)
            return np.equal(np.diff(last, prepend=0), self._count)
        cuts = np.flatnonzero((text == ord(self._split_at)) | (text == NEWLINE))
        last = np.searchsorted(cuts, ends, side="right")
        complete = np.equal(np.diff(last, prepend=0), self._count)
        empty = np.flatnonzero(np.diff(cuts, prepend=-1) == 1)
        complete[np.searchsorted(last, empty, side="right")] = False
        return complete

    def _tokens(self, text: NDArray[np.uint8], ends: NDArray[np.intp]) -> list[bytes]:
        if self._split_at is None:
            return text.tobytes().split()
        text[ends] = ord(self._split_at)
        tokens = text.tobytes().split(self._split_at)
        tokens.pop()
        return tokens
