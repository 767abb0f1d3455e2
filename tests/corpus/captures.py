"""Captures: the bytes of a rig as they came, in a text that a person can read, and what the session must make of them.

A capture is a folder: `capture.txt` (a header of # lines that says what rig, what transport, what happened; then one
event a line: seconds, link, and a state or the bytes as a JSON string of one character a byte), `job.toml`, `rig.toml`, and
`expected.json`: the last snapshot of every phase.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livealign.config.load import parse_pair
from livealign.record.layout import encode_event
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.session.engine import Session
from livealign.session.events import Command, Event, Tick
from livealign.snapshot import Snapshot, encode
from livealign.stream.contracts import Frame, LinkEvent

__all__ = [
    "Capture",
    "differences",
    "from_recording",
    "play",
    "read",
    "read_expected",
    "write",
    "write_expected",
]

FOLDER = Path(__file__).with_name("captures")
SNAPSHOTS_PER_S = 0.5
RELATIVE = 1e-6
ABSOLUTE = 2e-6
"""Numbers may differ by so much: another processor adds in another order, and snapshots are rounded to 1e-6."""


@dataclass(frozen=True)
class Capture:
    """What came, in order."""

    header: str
    events: tuple[Event, ...]
    job_text: str
    rig_text: str


def read(folder: Path) -> Capture:
    """Return the capture in a folder."""
    lines = (folder / "capture.txt").read_text(encoding="utf-8").removesuffix("\n").split("\n")
    header = [line.removeprefix("#").strip() for line in lines if line.startswith("#")]
    events = tuple(_event(line) for line in lines if line and not line.startswith("#"))
    return Capture(
        "\n".join(header),
        events,
        (folder / "job.toml").read_text(encoding="utf-8"),
        (folder / "rig.toml").read_text(encoding="utf-8"),
    )


def write(folder: Path, capture: Capture) -> None:
    """Write a capture into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    head = [f"# {line}".rstrip() for line in capture.header.splitlines()]
    lines = [*head, *(_line(event) for event in capture.events if not isinstance(event, Tick))]
    (folder / "capture.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "job.toml").write_text(capture.job_text, encoding="utf-8")
    (folder / "rig.toml").write_text(capture.rig_text, encoding="utf-8")


def from_recording(recording: Recording, header: str) -> Capture:
    """Return what a recording holds as a capture."""
    events = tuple(item for item in recording.items() if not isinstance(item, RecordedSnapshot))
    return Capture(header, events, recording.job_text, recording.rig_text)


def play(capture: Capture) -> list[Snapshot]:
    """Return the last snapshot of every phase."""
    job, rig = parse_pair(capture.job_text, capture.rig_text, "job.toml", "rig.toml")
    session = Session(job, rig, snapshots_per_s=SNAPSHOTS_PER_S)
    last: list[Snapshot] = []
    for event in _with_ticks(capture.events):
        snapshot = session.feed(event)
        if snapshot is None:
            continue
        if last and last[-1].phase == snapshot.phase:
            last.pop()
        last.append(snapshot)
    return last


def _with_ticks(events: Iterable[Event]) -> Iterator[Event]:
    """Yield the events, and the time where nothing happens for long: silence is noticed by it.

    A frame that waits is read before the next of its link, as where snapshots are frequent: when it came is not forgotten.
    """
    now_ns = 0
    waiting: set[str] = set()
    for event in events:
        while event.time_ns - now_ns > 1_000_000_000:
            now_ns += 500_000_000
            yield Tick(now_ns)
        if isinstance(event, Frame):
            if event.link in waiting:
                yield Tick(now_ns)
                waiting.clear()
            waiting.add(event.link)
        now_ns = event.time_ns
        yield event
    yield Tick(now_ns + 1_000_000_000)


def read_expected(folder: Path) -> list[dict[str, Any]]:
    """Return the expected snapshots."""
    found: list[dict[str, Any]] = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    return found


def write_expected(folder: Path, snapshots: list[Snapshot]) -> None:
    """Write down what is expected from now on."""
    plain = [plain_of(s) for s in snapshots]
    (folder / "expected.json").write_text(
        json.dumps(plain, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def plain_of(snapshot: Snapshot) -> dict[str, Any]:
    """Return a snapshot as plain values, without the charts' points, which the figures follow from."""
    plain: dict[str, Any] = json.loads(encode(snapshot))
    plain["rotation"].pop("residuals")
    plain["rotation"].pop("covered")
    return plain


def differences(expected: Any, found: Any, where: str = "") -> Iterator[str]:
    """Yield where two plain values differ by more than arithmetic may."""
    if isinstance(expected, dict) and isinstance(found, dict):
        for key in sorted(expected.keys() | found.keys()):
            at = f"{where}.{key}" if where else key
            if key not in found or key not in expected:
                yield f"{at}: {'was' if key in expected else 'is new:'} {(expected | found)[key]!r:.80}"
            else:
                yield from differences(expected[key], found[key], at)
    elif isinstance(expected, list) and isinstance(found, list):
        if len(expected) != len(found):
            yield f"{where}: {len(expected)} items expected, {len(found)} found"
        for i, (one, other) in enumerate(zip(expected, found, strict=False)):
            yield from differences(one, other, f"{where}[{i}]")
    elif not _same(expected, found):
        yield f"{where}: expected {expected!r:.80}, found {found!r:.80}"


def _same(one: Any, other: Any) -> bool:
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (one, other))
    if numbers and (isinstance(one, float) or isinstance(other, float)):
        return abs(one - other) <= ABSOLUTE + RELATIVE * abs(one)
    return bool(one == other)


def _line(event: Event) -> str:
    at = f"{event.time_ns / 1e9:.6f}"
    match event:
        case Frame():
            return f"{at} {event.link} {json.dumps(event.payload.decode('latin-1'))}"
        case LinkEvent():
            dropped = f" dropped={event.dropped}" if event.dropped else ""
            return f"{at} {event.link} {event.state}{dropped} {json.dumps(event.detail)}"
        case Command():
            told = json.loads(encode_event(event))
            return f"{at} ! {told.pop('name')} {json.dumps(told, ensure_ascii=False)}"
        case Tick():
            return f"{at} ."


def _event(line: str) -> Event:
    at, rest = line.split(" ", 1)
    time_ns = round(float(at) * 1e9)
    if rest.startswith("! "):
        name, told = rest[2:].split(" ", 1)
        return Command(name, time_ns, **json.loads(told))  # type: ignore[arg-type]
    # A link's name may hold blanks; what follows it does not begin with one of its characters.
    quote = rest.index('"')
    words = rest[:quote].split()
    text = json.loads(rest[quote:])
    dropped = int(words.pop().removeprefix("dropped=")) if words[-1].startswith("dropped=") else 0
    if len(words) > 1 and words[-1] in {"connecting", "open", "silent", "lost", "refused", "ended"}:
        return LinkEvent(" ".join(words[:-1]), words[-1], time_ns, text, dropped)  # type: ignore[arg-type]
    return Frame(" ".join(words), text.encode("latin-1"), time_ns)
