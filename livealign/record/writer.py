"""Writes a session to a file that survives being killed."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from mcap.writer import Writer

from livealign import __version__
from livealign.errors import PersonError
from livealign.record.layout import FORMAT, SCHEMAS, SNAPSHOTS, encode_event, kind_of, topic_of
from livealign.session.events import Event

__all__ = ["FLUSH_NS", "Recorder", "recording_path"]

FLUSH_NS = 100_000_000
"""What is written but not yet handed to the operating system is never older than this."""


def recording_path(folder: Path, job_name: str, start: datetime) -> Path:
    """Return the name of a new recording: when it began, and of which job."""
    job = re.sub(r"[^A-Za-z0-9]+", "-", job_name).strip("-").lower() or "job"
    return folder / f"{start:%Y%m%d-%H%M%S}-{job}.mcap"


class Recorder:
    """A recording being written: events and snapshots in the order in which they happened."""

    def __init__(
        self,
        path: Path,
        *,
        start_unix_ns: int,
        job_text: str,
        rig_text: str,
        checklist_text: str | None = None,
        snapshots_per_s: float,
    ) -> None:
        """Create the file and write what the session started from.

        Raises:
            PersonError: if the file exists already or cannot be written.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = path.open("xb")
        except OSError as e:
            raise PersonError(
                f"the recording cannot be written: {e.strerror or e}",
                where=str(path),
                advice="Choose another folder with --record, or leave --record out.",
            ) from e
        self.path = path
        self.messages = 0
        self._start_unix_ns = start_unix_ns
        self._flushed_ns = 0
        self._writer = Writer(self._file)
        self._channels: dict[str, int] = {}
        self._schemas: dict[str, int] = {}
        self._begin(job_text, rig_text, checklist_text, snapshots_per_s)

    def event(self, event: Event) -> None:
        """Keep an event, before the session is fed with it."""
        self._add(topic_of(event), encode_event(event), event.time_ns)

    def snapshot(self, encoded: bytes, time_ns: int) -> None:
        """Keep a snapshot, as the very bytes that clients get, after the event that gave it."""
        self._add(SNAPSHOTS, encoded, time_ns)

    def flush_if_due(self, now_ns: int) -> None:
        """Hand everything to the operating system if that was last done 100 ms ago or more."""
        if now_ns - self._flushed_ns >= FLUSH_NS:
            self._writer.flush()  # type: ignore[no-untyped-call]
            self._flushed_ns = now_ns

    def close(self) -> None:
        """Finish the file; may be called again."""
        if not self._file.closed:
            try:
                self._writer.finish()  # type: ignore[no-untyped-call]
            finally:
                self._file.close()

    def abandon(self) -> None:
        """Close the file as it is, after it could not be written; never raises."""
        try:
            self._file.close()
        except OSError:  # closing writes what is buffered; the descriptor is gone all the same
            return

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _begin(
        self, job_text: str, rig_text: str, checklist_text: str | None, snapshots_per_s: float
    ) -> None:
        start = datetime.fromtimestamp(self._start_unix_ns / 1e9, UTC)
        self._writer.start(library=f"livealign {__version__}")
        # Metadata records stand outside the chunks: they are whole in the file from the start.
        self._writer.add_metadata(
            "session",
            {
                "format": FORMAT,
                "program": "livealign",
                "version": __version__,
                "start": start.isoformat(),
                "start_unix_ns": str(self._start_unix_ns),
                "snapshots_per_s": repr(float(snapshots_per_s)),
            },
        )
        self._writer.add_metadata("job.toml", {"text": job_text})
        if checklist_text is not None:
            self._writer.add_metadata("checklist.toml", {"text": checklist_text})
        # The rig stands last: whoever has found it has found them all.
        self._writer.add_metadata("rig.toml", {"text": rig_text})
        self._file.flush()

    def _add(self, topic: str, data: bytes, time_ns: int) -> None:
        channel = self._channels.get(topic)
        if channel is None:
            channel = self._channels[topic] = self._register(topic)
        time = self._start_unix_ns + time_ns
        self._writer.add_message(channel, time, data, time, sequence=self.messages & 0xFFFFFFFF)
        self.messages += 1

    def _register(self, topic: str) -> int:
        kind = kind_of(topic)
        if kind not in self._schemas:
            schema = SCHEMAS[kind]
            self._schemas[kind] = self._writer.register_schema(
                str(schema.get("title", kind)), "jsonschema", json.dumps(schema).encode()
            )
        return self._writer.register_channel(topic, "json", self._schemas[kind])
