"""Bytes that came from a source, and what a format makes of them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from livealign.stream.contracts import Floats, Format
from livealign.stream.registry import format_class

__all__ = ["Decoded", "Heard", "decoded"]

MOST_PIECES = 250
"""Decoded one by one: formats are quicker with many records at a time, and arrivals need be no finer."""
PRINTABLE = np.zeros(256, np.bool_)
PRINTABLE[[*range(0x20, 0x7F), 9, 10, 13]] = True


@dataclass(frozen=True, slots=True)
class Heard:
    """What came from one source, in its pieces."""

    pieces: tuple[bytes, ...]
    arrivals_s: tuple[float, ...] = ()
    """One a piece; empty if arrival means nothing, as for a file."""
    messages: bool = False
    """Each piece is a whole message or datagram, not just what had come."""
    from_start: bool = False
    """Nothing is missing before the first byte, as in a file."""

    @property
    def data(self) -> bytes:
        """All of it."""
        return b"".join(self.pieces)

    @property
    def printable(self) -> float:
        """Share of the bytes that text is made of."""
        data = self.data
        return float(PRINTABLE[np.frombuffer(data, np.uint8)].mean()) if data else 0.0

    @property
    def lacks_line_ends(self) -> bool:
        """Whether these are messages of text that know no line ends."""
        return self.messages and bool(self.pieces) and not any(b"\n" in p for p in self.pieces)

    def with_line_ends(self) -> "Heard":
        """Return the same with a newline behind each message that has none."""
        return replace(self, pieces=tuple(p if p.endswith(b"\n") else p + b"\n" for p in self.pieces))

    def in_fewer(self, most: int) -> "Heard":
        """Return the same with pieces that came after each other put together; arrivals are those of the last."""
        size = -(-len(self.pieces) // most)
        if size <= 1:
            return self
        starts = range(0, len(self.pieces), size)
        pieces = tuple(b"".join(self.pieces[k : k + size]) for k in starts)
        arrivals = tuple(self.arrivals_s[k : k + size][-1] for k in starts) if self.arrivals_s else ()
        return replace(self, pieces=pieces, arrivals_s=arrivals)

    def newest(self, most_bytes: int) -> "Heard":
        """Return the last pieces, of so many bytes at most but one piece at least."""
        size, first = 0, len(self.pieces)
        while first > 0 and (size == 0 or size + len(self.pieces[first - 1]) <= most_bytes):
            first -= 1
            size += len(self.pieces[first])
        return replace(
            self,
            pieces=self.pieces[first:],
            arrivals_s=self.arrivals_s[first:],
            from_start=self.from_start and first == 0,
        )


@dataclass(frozen=True, slots=True)
class Decoded:
    """Records as columns, with the arrival of each (empty if that means nothing)."""

    columns: Mapping[str, Floats]
    count: int
    bad: int
    last_bad: str
    arrival_s: Floats

    def without_first(self) -> "Decoded":
        """Return the same without the first record, which may have lost digits where it was cut."""
        columns = {name: values[1:] for name, values in self.columns.items()}
        return replace(self, columns=columns, count=self.count - 1, arrival_s=self.arrival_s[1:])

    @property
    def share(self) -> float:
        """Records that could be read, of all."""
        return self.count / (self.count + self.bad) if self.count else 0.0


@cache
def _format_class(kind: str) -> type[Format]:
    return format_class(kind)  # it searches all that is installed, and many shapes are tried


def decoded(kind: str, options: Mapping[str, Any], heard: Heard) -> Decoded:
    """Decode all that was heard.

    Raises:
        ValueError: if the format does not take these options.
        PersonError: if no such format is installed.
    """
    made = _format_class(kind)
    reader = made(made.options_model.model_validate(dict(options)))
    if options.get("framing") != "message":
        heard = heard.in_fewer(MOST_PIECES)
    found = [reader.decode(piece) for piece in heard.pieces]
    names = list(dict.fromkeys(name for r in found for name in r.columns))
    columns = {
        name: np.concatenate([r.columns.get(name, np.full(r.count, np.nan)) for r in found]) for name in names
    }
    arrivals = np.empty(0)
    if heard.arrivals_s:
        arrivals = np.repeat(heard.arrivals_s, [r.count for r in found])
    last_bad = next((r.last_bad for r in reversed(found) if r.last_bad), "")
    return Decoded(columns, sum(r.count for r in found), sum(r.bad for r in found), last_bad, arrivals)
