"""A recording as a folder of plain tables, and back."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from livealign.config.load import parse_rig
from livealign.errors import PersonError
from livealign.record.layout import FORMAT, SNAPSHOTS, decode_event, encode_event, kind_of, topic_of
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.record.table_files import Kind, Row, open_table, read_table
from livealign.record.writer import Recorder
from livealign.session.links import LinkBook
from livealign.session.wiring import wire
from livealign.snapshot import Snapshot, decode
from livealign.stream.contracts import Frame, LinkEvent
from livealign.stream.reader import Batch, LinkReader

__all__ = ["Exported", "export_recording", "exported_folder", "import_folder"]

_SESSION = "session.json"
_MESSAGES = {"time_ns": int, "topic": str, "message": str}
_RESULTS: dict[str, type] = {
    "time_s": float,
    "phase": str,
    "plane": str,
    "machine_state": str,
    **{
        f"{plane}_{what}": float
        for plane in ("vertical", "horizontal")
        for what in ("offset_mm", "offset_u_mm", "slope_mm_per_m", "slope_u_mm_per_m")
    },
    "verdict": str,
    "probability": float,
    "used": float,
}


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written."""

    files: dict[str, int]
    """Rows by file name."""
    torn: str | None
    """Why the recording ends early, if it does."""


def export_recording(recording: Recording, folder: Path, kind: Kind) -> Exported:
    """Write a recording as tables into a new folder.

    `messages` holds everything, so that the recording can be made again from it; `results` the figures of every
    snapshot; `readings-LINK` the decoded and computed fields of a link with their times.

    Raises:
        PersonError: if something there exists already or cannot be written, or the rig inside is not sound.
    """
    rig = parse_rig(recording.rig_text, f"{recording.path}:rig.toml")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / _SESSION).open("x", encoding="utf-8") as f:
            json.dump(_session(recording), f, ensure_ascii=False, indent=1)
    except OSError as e:
        raise PersonError(
            f"cannot be written: {e.strerror or e}", where=str(folder), advice="Name a new folder."
        ) from e
    files = {
        f"messages.{kind}": _write(folder / f"messages.{kind}", _MESSAGES, _message_rows(recording)),
        f"results.{kind}": _write(folder / f"results.{kind}", _RESULTS, _result_rows(recording)),
    }
    for link in rig.links:
        # Once for the columns: a header line sent by the device may name others later.
        names: dict[str, type] = {"time_s": float}
        for batch in _batches(recording, link.name, wire(rig).readers[link.name]):
            names.update(dict.fromkeys(batch.columns, float))
        name = f"readings-{link.name}.{kind}"
        rows = _reading_rows(_batches(recording, link.name, wire(rig).readers[link.name]), list(names)[1:])
        files[name] = _write(folder / name, names, rows)
    return Exported(files, recording.torn)


def exported_folder(folder: Path) -> bool:
    """Tell whether a folder was written by `export_recording`."""
    return (folder / _SESSION).is_file()


def import_folder(folder: Path, path: Path) -> int:
    """Make a recording from the tables of `export_recording`; return the number of messages.

    Raises:
        PersonError: if the folder is not whole, or a message is damaged.
    """
    try:
        session = json.loads((folder / _SESSION).read_text(encoding="utf-8"))
        recorder = Recorder(
            path,
            start_unix_ns=int(session["start_unix_ns"]),
            job_text=session["job.toml"],
            rig_text=session["rig.toml"],
            checklist_text=session.get("checklist.toml"),
            snapshots_per_s=float(session["snapshots_per_s"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as e:
        raise PersonError(
            f"this was not exported from a recording ({e})", where=str(folder / _SESSION)
        ) from e
    table = next((p for p in sorted(folder.glob("messages.*")) if p.suffix in {".csv", ".parquet"}), None)
    with recorder:
        if table is None:
            raise PersonError("there is no messages.csv or messages.parquet", where=str(folder))
        for number, (time_ns, topic, message) in enumerate(read_table(table, list(_MESSAGES)), 1):
            try:
                _keep(recorder, topic, message.encode(), int(time_ns))
            except (ValueError, KeyError, TypeError) as e:
                raise PersonError(f"row {number} is damaged: {e}", where=str(table)) from e
    return recorder.messages


def _keep(recorder: Recorder, topic: str, message: bytes, time_ns: int) -> None:
    if kind_of(topic) == SNAPSHOTS:
        recorder.snapshot(message, time_ns)
        return
    event = decode_event(topic, message, time_ns)
    if event is None:
        raise ValueError(f"{topic!r} is no topic of a recording")
    recorder.event(event)


def _session(recording: Recording) -> dict[str, Any]:
    header = recording.header
    return {
        "format": FORMAT,
        "start": header.start,
        "start_unix_ns": header.start_unix_ns,
        "version": header.version,
        "snapshots_per_s": header.snapshots_per_s,
        "job.toml": recording.job_text,
        "rig.toml": recording.rig_text,
        **({} if recording.checklist_text is None else {"checklist.toml": recording.checklist_text}),
    }


def _write(path: Path, columns: dict[str, type], rows: Iterator[Row]) -> int:
    count = 0
    with open_table(path, columns) as table:
        for row in rows:
            table.row(row)
            count += 1
    return count


def _message_rows(recording: Recording) -> Iterator[Row]:
    for item in recording.items():
        if isinstance(item, RecordedSnapshot):
            yield item.time_ns, SNAPSHOTS, item.encoded.decode()
        else:
            yield item.time_ns, topic_of(item), encode_event(item).decode()


def _result_rows(recording: Recording) -> Iterator[Row]:
    for item in recording.items():
        if isinstance(item, RecordedSnapshot):
            yield _result_row(decode(item.encoded))


def _result_row(snapshot: Snapshot) -> Row:
    vertical, horizontal = snapshot.pose.vertical, snapshot.pose.horizontal
    figures = [
        figure
        for p in (vertical, horizontal)
        for figure in (p.offset_mm, p.offset_u_mm, p.slope_mm_per_m, p.slope_u_mm_per_m)
    ]
    verdict = snapshot.verdict
    told = (snapshot.time_s, snapshot.phase, snapshot.plane, snapshot.machine_state)
    return (*told, *figures, verdict.state, verdict.probability, verdict.used)


def _batches(recording: Recording, link: str, reader: LinkReader) -> Iterator[Batch]:
    book = LinkBook(link, reader)  # has the reader forget half a record when the link is lost
    for item in recording.items():
        if isinstance(item, Frame) and item.link == link:
            batch = reader.read(item.payload, item.time_ns / 1e9)
            if batch is not None:
                yield batch
        elif isinstance(item, LinkEvent) and item.link == link:
            book.event(item, item.time_ns / 1e9)


def _reading_rows(batches: Iterator[Batch], columns: list[str]) -> Iterator[Row]:
    for batch in batches:
        n = batch.time_s.size
        values = [batch.time_s, *(batch.columns.get(c, np.full(n, np.nan)) for c in columns)]
        for row in np.column_stack(values).tolist():
            yield [v if np.isfinite(v) else None for v in row]
