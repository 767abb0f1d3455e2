"""What a recording holds, as a course of things to be played again: cut, and with long pauses shortened."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TypeAlias

from mcap.exceptions import McapError
from mcap.reader import make_reader

from livealign.record.reader import RecordedSnapshot, Recording
from livealign.session.events import Command, Event, Tick
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["Cut", "Played", "length_s", "timeline"]

Played: TypeAlias = Frame | LinkEvent | Command


@dataclass(frozen=True, slots=True)
class Cut:
    """Which part is played; times in seconds of the session."""

    from_s: float = 0.0
    to_s: float | None = None
    """None: to the end."""
    dead_time_s: float | None = None
    """Longer gaps, in which nothing was sent and nothing asked for, are made as short as this."""


def timeline(items: Iterable[Event | RecordedSnapshot], cut: Cut) -> Iterator[tuple[int, Played]]:
    """Yield what is to be played with its time in nanoseconds from the start of the cut.

    What the links were at that start comes first, at 0.
    """
    from_ns = round(1e9 * cut.from_s)
    to_ns = None if cut.to_s is None else round(1e9 * cut.to_s)
    dead_ns = None if cut.dead_time_s is None else round(1e9 * cut.dead_time_s)
    links: dict[str, LinkEvent] = {}
    shortened_ns, last_ns = 0, from_ns
    for item in items:
        if isinstance(item, RecordedSnapshot | Tick):
            continue
        if item.time_ns < from_ns:
            if isinstance(item, LinkEvent):
                links[item.link] = item
            continue
        if to_ns is not None and item.time_ns > to_ns:
            break
        for before in links.values():
            yield 0, before
        links.clear()
        if dead_ns is not None:
            shortened_ns += max(0, item.time_ns - last_ns - dead_ns)
        last_ns = max(last_ns, item.time_ns)
        yield item.time_ns - from_ns - shortened_ns, item


def length_s(recording: Recording, cut: Cut) -> float | None:
    """Return how long the cut lasts if the file says so; None if it was not finished or gaps are shortened."""
    if cut.dead_time_s is not None:
        return None
    try:
        with recording.path.open("rb") as f:
            summary = make_reader(f).get_summary()
    except (McapError, OSError, ValueError):
        return None
    if summary is None or summary.statistics is None:
        return None
    whole_s = (summary.statistics.message_end_time - recording.header.start_unix_ns) / 1e9
    return max(0.0, (whole_s if cut.to_s is None else min(whole_s, cut.to_s)) - cut.from_s)
