"""Readings taken before, from a text file: a place and a raw number on each line."""

import math
from collections.abc import Callable
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from livealign.errors import PersonError

__all__ = ["number", "read_lines", "visits"]

T = TypeVar("T")

_MOST_LINES = 100_000


def number(text: str) -> float:
    """Return a number.

    Raises:
        ValueError: if it is none, or not finite.
    """
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def read_lines(path: Path, place: Callable[[str], T], takes: str) -> list[tuple[T, float]]:
    """Return the places and raw numbers of a file's lines.

    Blank lines and what follows # do not count; a comma, a semicolon or blanks stand between the two.

    Args:
        path: the file.
        place: reads the first of the two; raises ValueError if it cannot.
        takes: what a line takes, in words.

    Raises:
        PersonError: naming the file and the line that cannot be read.
    """
    found: list[tuple[T, float]] = []
    try:
        with path.open(encoding="utf-8-sig") as file:
            for i, line in enumerate(file, 1):
                words = line.partition("#")[0].replace(",", " ").replace(";", " ").split()
                if not words:
                    continue
                if len(found) == _MOST_LINES:
                    raise PersonError(f"there are more than {_MOST_LINES} readings", where=str(path))
                found.append(_pair(words, place, f"{path}:{i}", takes))
    except (OSError, UnicodeDecodeError) as e:
        reason = e.strerror if isinstance(e, OSError) else "it is no UTF-8 text"
        raise PersonError(f"the readings cannot be read: {reason}", where=str(path)) from e
    if not found:
        raise PersonError("there are no readings", where=str(path), advice=f"A line takes {takes}.")
    return found


def _pair(words: list[str], place: Callable[[str], T], where: str, takes: str) -> tuple[T, float]:
    try:
        first, second = words
        return place(first), number(second)
    except ValueError:
        shown = " ".join(words)[:40]
        raise PersonError(f"found {shown}", where=where, advice=f"A line takes {takes}.") from None


def visits(lines: list[tuple[T, float]]) -> list[tuple[T, list[float]]]:
    """Return the readings by visit: lines with the same place that follow each other are one."""
    return [(place, [raw for _, raw in group]) for place, group in groupby(lines, key=lambda line: line[0])]
