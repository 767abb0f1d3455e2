"""Text logs of other loggers, with their timestamps, as the events of a session."""

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Literal

import tomlkit

from livealign.config.load import parse_pair
from livealign.errors import PersonError
from livealign.record.writer import Recorder
from livealign.session.engine import Session
from livealign.session.events import Command, Event
from livealign.snapshot import encode
from livealign.stream.contracts import Format, Frame, LinkEvent

__all__ = ["Layout", "Log", "TimeUnit", "log_events", "read_log", "record_logs"]

TimeUnit = Literal["iso", "s", "ms", "us", "ns"]
_NS = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1000, "ns": 1}
_DAY_NS = 86_400_000_000_000
_SNAPSHOTS_PER_S = 10.0
_MOST_COMPLAINTS = 5
_DATELESS_YEAR = 1900
_BRACKETS = re.compile(r"^[\s\[(<]+|[\s\])>:-]+$")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a log is written."""

    time: str = "1"
    """Column of the time: its name, or its number from 1 where there is no header."""
    unit: TimeUnit = "iso"
    pattern: str | None = None
    """strptime's pattern of the time, instead of the unit."""
    columns: Mapping[str, str] = field(default_factory=dict)
    """Field of the link's format to column of the log; fields and columns of one name find each other."""
    delimiter: str | None = None
    """None: found out."""
    decimal: str = "."
    lines: bool = False
    """After the time the line is what the head sent, as it came."""


@dataclass(slots=True)
class Log:
    """What was read of one log."""

    frames: list[tuple[int, bytes]] = field(default_factory=list)
    """Time in ns of whatever epoch, and the bytes of one record."""
    fields: frozenset[str] = frozenset()
    dated: bool = False
    """Times count from 1970."""
    bad: int = 0
    complaints: list[str] = field(default_factory=list)
    """The first of the rows that could not be read, with their line and why."""

    def complain(self, line: int, why: str) -> None:
        """Count a row that could not be read."""
        self.bad += 1
        if len(self.complaints) < _MOST_COMPLAINTS:
            self.complaints.append(f"line {line}: {why}")


def read_log(path: Path, layout: Layout, form: Format, fields: frozenset[str]) -> Log:
    """Read a log, its rows encoded in the link's own format.

    Args:
        path: the log, in UTF-8.
        layout: how it is written.
        form: the link's format.
        fields: the fields that the format brings, empty if it does not say.

    Raises:
        PersonError: if the file cannot be read, or has not the columns that are named.
    """
    log = Log()
    clock = _Clock(layout)
    try:
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as f:
            if layout.lines:
                _read_lines(f, layout, clock, log)
            else:
                _read_rows(f, path, layout, clock, log, form=form, fields=fields)
    except (OSError, csv.Error) as e:
        raise PersonError(f"the log cannot be read: {e}", where=str(path)) from e
    if not log.frames:
        why = f" ({'; '.join(log.complaints)})" if log.complaints else ""
        raise PersonError(f"no row of it could be read{why}", where=str(path))
    log.dated = clock.dated
    return log


def log_events(logs: Mapping[str, Log], *, rotation: bool) -> Iterator[Event]:
    """Yield what happened in all logs in the order of their times, from 0 on.

    Args:
        logs: by link.
        rotation: the whole of it is one rotation.
    """
    rows = sorted(
        (
            (time_ns, number, link, data)
            for number, (link, log) in enumerate(logs.items())
            for time_ns, data in log.frames
        ),
        key=lambda row: row[:2],
    )
    start = rows[0][0]
    for link in logs:
        yield LinkEvent(link, "open", 0)
    if rotation:
        yield Command("begin_rotation", 0)
    for time_ns, _, link, data in rows:
        yield Frame(link, data, time_ns - start)
    end = rows[-1][0] - start
    if rotation:
        yield Command("end_rotation", end + 1)
    for link in logs:
        yield LinkEvent(link, "ended", end + 2)


class _Clock:
    """Reads times; one that tells no date runs on over midnight."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._last_ns: int | None = None
        self._days_ns = 0
        self.dated = False

    def read(self, text: str) -> int:
        """Return nanoseconds.

        Raises:
            ValueError: if it is no time.
        """
        layout = self._layout
        if layout.pattern is None and layout.unit != "iso":
            value = float(text.replace(layout.decimal, "."))
            self.dated = value * _NS[layout.unit] > 1e17  # after 1973
            return round(value * _NS[layout.unit])
        when = datetime.strptime(text, layout.pattern) if layout.pattern else _iso(text)  # noqa: DTZ007 - below
        # A log that names no zone is taken as UTC; only differences matter.
        when = when if when.tzinfo else when.replace(tzinfo=UTC)
        since = when - datetime(1970, 1, 1, tzinfo=UTC)
        time_ns = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
        self.dated = when.year > _DATELESS_YEAR
        if not self.dated:
            if self._last_ns is not None and time_ns + self._days_ns < self._last_ns - _DAY_NS // 2:
                self._days_ns += _DAY_NS
            time_ns += self._days_ns
            self._last_ns = time_ns
        return time_ns


def _iso(text: str) -> datetime:
    if re.fullmatch(r"\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?", text):
        text = f"{_DATELESS_YEAR}-01-01T{text.zfill(5)}"
    return datetime.fromisoformat(text)


def _read_lines(lines: Iterator[str], layout: Layout, clock: _Clock, log: Log) -> None:
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        parts = line.strip("\r\n").lstrip("[ ").split(layout.delimiter)
        # A date and a time of day may stand apart.
        for words in (2, 1):
            stamp = _BRACKETS.sub("", " ".join(parts[:words]))
            try:
                time_ns = clock.read(stamp)
            except (ValueError, OverflowError):
                continue
            rest = line.strip("\r\n").lstrip("[ ").split(layout.delimiter, words)[words:]
            log.frames.append((time_ns, (rest[0] if rest else "").lstrip("]> ").encode() + b"\n"))
            break
        else:
            log.complain(number, f"no time at its start: {line.strip():.40}")


class _Columns:
    """Which cell of a row is the time, and which is which field."""

    def __init__(self, head: list[str], path: Path, layout: Layout, fields: frozenset[str]) -> None:
        names = [name.strip() for name in head]
        self.numbered = layout.time.isdecimal() and layout.time not in names
        """There is no header: columns go by their number."""
        keys = [str(i) for i in range(1, len(names) + 1)] if self.numbered else names
        places = {key: i for i, key in enumerate(keys)}
        same = {} if self.numbered else {f: f for f in fields if f in places}
        wanted = {**same, **layout.columns}
        told = f"Its columns are: {', '.join(keys)}."
        for what, column in (
            ("the time", layout.time),
            *((f"the field {f!r}", c) for f, c in wanted.items()),
        ):
            if column not in places:
                raise PersonError(f"there is no column {column!r} for {what}", where=str(path), advice=told)
        if not wanted:
            advice = f"Say which is which, such as --map angle=Angle. {told}"
            raise PersonError("no column is a field of the link's format", where=str(path), advice=advice)
        if strange := sorted(set(wanted) - fields) if fields else []:
            raise PersonError(
                f"the link's format brings no field {strange[0]!r}",
                where=str(path),
                advice=f"It brings: {', '.join(sorted(fields))}.",
            )
        self.time = places[layout.time]
        self.cells = {name: places[column] for name, column in wanted.items()}


def _read_rows(
    lines: Iterator[str],
    path: Path,
    layout: Layout,
    clock: _Clock,
    log: Log,
    *,
    form: Format,
    fields: frozenset[str],
) -> None:
    first = next(lines, None)
    if first is None:
        return
    delimiter = layout.delimiter or _delimiter(first)
    head = next(csv.reader([first], delimiter=delimiter))
    columns = _Columns(head, path, layout, fields)
    log.fields = frozenset(columns.cells)
    rows = csv.reader(lines, delimiter=delimiter)
    for number, row in enumerate(
        chain([head], rows) if columns.numbered else rows, 1 if columns.numbered else 2
    ):
        if not row:
            continue
        try:
            time_ns = clock.read(row[columns.time].strip())
            cells = {name: _number(row[i], layout.decimal) for name, i in columns.cells.items()}
            record = form.encode({name: value for name, value in cells.items() if value is not None})
        except (ValueError, OverflowError, PersonError) as e:
            log.complain(number, str(e))
        except IndexError:
            log.complain(number, "it has too few cells")
        else:
            log.frames.append((time_ns, record))


def _number(text: str, decimal: str) -> float | None:
    text = text.strip().replace(decimal, ".")
    return float(text) if text else None


def _delimiter(line: str) -> str:
    try:
        return csv.Sniffer().sniff(line, delimiters=",;\t|").delimiter
    except csv.Error:
        return ","


def record_logs(logs: Mapping[str, Log], path: Path, job_text: str, rig_text: str, *, rotation: bool) -> int:
    """Write a recording of the logs, with the snapshots that a session would have given; return its messages.

    A clock or counter that a log does not hold is taken out of the rig that is recorded: the log's times serve.

    Raises:
        PersonError: if the recording cannot be written, or job and rig do not fit together.
    """
    rig_text = _without_missing_clocks(rig_text, logs)
    job, rig = parse_pair(job_text, rig_text, "the job", "the rig")
    session = Session(job, rig, snapshots_per_s=_SNAPSHOTS_PER_S)
    first = min(log.frames[0][0] for log in logs.values())
    start = first if all(log.dated for log in logs.values()) else 0
    with Recorder(
        path, start_unix_ns=start, job_text=job_text, rig_text=rig_text, snapshots_per_s=_SNAPSHOTS_PER_S
    ) as recorder:
        for event in log_events(logs, rotation=rotation):
            recorder.event(event)
            snapshot = session.feed(event)
            if snapshot is not None:
                recorder.snapshot(encode(snapshot), event.time_ns)
    return recorder.messages


def _without_missing_clocks(rig_text: str, logs: Mapping[str, Log]) -> str:
    document = tomlkit.parse(rig_text)
    for link in document["links"]:
        fields = logs[link["name"]].fields
        if not fields:
            continue  # lines as the head sent them hold all there is
        if "clock" in link and link["clock"]["field"] not in fields:
            del link["clock"]
        if "sequence" in link and link["sequence"] not in fields:
            del link["sequence"]
            link.pop("sequence_bits", None)
    return tomlkit.dumps(document)
