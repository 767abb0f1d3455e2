"""Feeds a recording to a session again."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livealign.record.reader import RecordedSnapshot, Recording
from livealign.session.events import Event, Tick
from livealign.snapshot import Snapshot, decode, encode

if TYPE_CHECKING:
    from collections.abc import Iterable

    from livealign.session.engine import Session

__all__ = ["Comparison", "replay", "run_events", "verify"]


def run_events(
    session: "Session", events: "Iterable[Event]", sink: Callable[[bytes], None] | None = None
) -> Snapshot:
    """Feed all events and return the last snapshot, the one that still pends included.

    Args:
        session: a fresh session.
        events: in order.
        sink: is given every snapshot, encoded.
    """
    last: Snapshot | None = None
    time_ns = 0
    for event in events:
        time_ns = max(time_ns, event.time_ns)
        snapshot = session.feed(event)
        last = _passed_on(snapshot, sink) or last
    due_ns = session.due_ns
    if due_ns is not None or last is None:
        last = _passed_on(session.feed(Tick(max(time_ns, due_ns or 0))), sink) or last
    return last if last is not None else session.snapshot(time_ns)


def replay(session: "Session", recording: Recording, sink: Callable[[bytes], None] | None = None) -> Snapshot:
    """Feed the recording's events to a fresh session and return the last snapshot."""
    events = (item for item in recording.items() if not isinstance(item, RecordedSnapshot))
    return run_events(session, events, sink)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Recorded snapshots against those computed again."""

    compared: int
    difference: str | None
    """The first difference, in words; None if there is none."""


def verify(session: "Session", recording: Recording) -> Comparison:
    """Feed the recording to a fresh session and compare every snapshot, byte for byte."""
    compared = 0
    expected: bytes | None = None
    for item in recording.items():
        if isinstance(item, RecordedSnapshot):
            difference = _difference(item.encoded, expected)
            expected = None
        else:
            # A snapshot stands right behind the event that gave it.
            difference = _difference(None, expected)
            snapshot = session.feed(item)
            expected = encode(snapshot) if snapshot is not None else None
        if difference:
            return Comparison(compared, difference)
        compared += isinstance(item, RecordedSnapshot)
    # A torn file may have lost the snapshot that followed its last event.
    return Comparison(compared, None if recording.torn else _difference(None, expected))


def _passed_on(snapshot: Snapshot | None, sink: Callable[[bytes], None] | None) -> Snapshot | None:
    if snapshot is not None and sink is not None:
        sink(encode(snapshot))
    return snapshot


def _difference(recorded: bytes | None, computed: bytes | None) -> str | None:
    if recorded == computed:
        return None
    if recorded is None or computed is None:
        which, data = ("recorded", recorded) if computed is None else ("computed", computed)
        return f"snapshot {_sequence(data or b'')} was only {which}"
    return f"snapshot {_sequence(recorded)} differs: {_first_field(recorded, computed)}"


def _sequence(encoded: bytes) -> str:
    try:
        return str(decode(encoded).sequence)
    except ValueError:
        return "(not readable)"


def _first_field(recorded: bytes, computed: bytes) -> str:
    at = next((i for i, (a, b) in enumerate(zip(recorded, computed, strict=False)) if a != b), -1)
    start = max(0, at - 40)
    shown = [text[start : at + 30].decode(errors="replace") for text in (recorded, computed)]
    return f"recorded ...{shown[0]}..., computed ...{shown[1]}..."
