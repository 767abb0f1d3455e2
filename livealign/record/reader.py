"""Reads a recording back, also one that was torn off by a crash."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from mcap.exceptions import McapError
from mcap.records import Channel, Footer, Message, Metadata
from mcap.stream_reader import StreamReader
from zstandard import ZstdError

from livealign.errors import PersonError
from livealign.record.layout import FORMAT, SNAPSHOTS, decode_event, kind_of
from livealign.session.events import Event

__all__ = ["Header", "RecordedSnapshot", "Recording", "find_recording"]

# Whatever damaged bytes make the reader stumble over: the part before them is good.
_DAMAGE = (
    McapError,
    struct.error,
    ZstdError,
    ValueError,
    KeyError,
    TypeError,
    RuntimeError,
    MemoryError,
    OverflowError,
)
_LARGEST_RECORD = 64 << 20


@dataclass(frozen=True, slots=True)
class Header:
    """What a session started from."""

    start: str
    """Wall-clock time of the start, ISO 8601."""
    start_unix_ns: int
    version: str
    """Version of the program that wrote the file."""
    snapshots_per_s: float


@dataclass(frozen=True, slots=True)
class RecordedSnapshot:
    """The bytes of a snapshot as clients got them."""

    encoded: bytes
    time_ns: int


Item: TypeAlias = Event | RecordedSnapshot


class Recording:
    """A recording on disk."""

    def __init__(self, path: Path) -> None:
        """Read the header.

        Raises:
            PersonError: if the file cannot be read or is not a recording of this program.
        """
        self.path = path
        self.torn: str | None = None
        """Why the file ends early, in words; None if it is whole. Known at the end of `items`."""
        self.whole_bytes = 0
        """So much of the file has been read without a fault; known at the end of `items`."""
        metadata = self._read_metadata()
        try:
            session = metadata["session"]
            if session["format"] != FORMAT:
                raise PersonError(
                    f"this recording has the format {session['format']!r}",
                    where=str(path),
                    advice=f"This program reads {FORMAT!r}.",
                )
            self.header = Header(
                start=session["start"],
                start_unix_ns=int(session["start_unix_ns"]),
                version=session["version"],
                snapshots_per_s=float(session["snapshots_per_s"]),
            )
            self.job_text = metadata["job.toml"]["text"]
            self.rig_text = metadata["rig.toml"]["text"]
            self.checklist_text: str | None = metadata.get("checklist.toml", {}).get("text")
            """None if the session had no checklist."""
        except (KeyError, ValueError) as e:
            raise _no_recording(path, "it has no session header") from e

    def items(self) -> Iterator[Item]:
        """Yield events and snapshots in the order of the file, up to where it is whole."""
        self.torn = None
        whole = False
        topics: dict[int, str] = {}
        number = 0
        try:
            with self.path.open("rb") as f:
                for record in _records(f):
                    self.whole_bytes = f.tell()
                    if isinstance(record, Channel):
                        topics[record.id] = record.topic
                    elif isinstance(record, Message):
                        # Zeros over a whole chunk read as nothing at all; the count tells.
                        if record.sequence != number & 0xFFFFFFFF:
                            raise ValueError("a part is missing")
                        number += 1
                        item = self._item(topics[record.channel_id], record)
                        if item is not None:
                            yield item
                    elif isinstance(record, Footer):
                        whole = True
            if not whole:
                self.torn = "the file ends before its last part"
        except _DAMAGE as e:
            if not whole:
                self.torn = f"it is torn off or damaged here ({_words(e)})"

    def _item(self, topic: str, message: Message) -> Item | None:
        time_ns = message.log_time - self.header.start_unix_ns
        if kind_of(topic) == SNAPSHOTS:
            return RecordedSnapshot(message.data, time_ns)
        return decode_event(topic, message.data, time_ns)

    def _read_metadata(self) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        try:
            with self.path.open("rb") as f:
                for record in _records(f):
                    if isinstance(record, Metadata):
                        found[record.name] = record.metadata
                    elif isinstance(record, Message) or "rig.toml" in found:
                        break
        except OSError as e:
            raise PersonError(f"the recording cannot be read: {e.strerror or e}", where=str(self.path)) from e
        except _DAMAGE as e:
            if "rig.toml" not in found:
                raise _no_recording(self.path, _words(e)) from e
        return found


def find_recording(path: Path) -> Path:
    """Return the recording meant: the file itself, or the only one in the folder.

    Raises:
        PersonError: if a folder holds none or several.
    """
    if not path.is_dir():
        return path
    found = sorted(path.glob("*.mcap"))
    if len(found) == 1:
        return found[0]
    if not found:
        raise PersonError(
            "no recording (*.mcap) is in this folder", where=str(path), advice="Name a recording."
        )
    names = ", ".join(p.name for p in found)
    raise PersonError(
        f"{len(found)} recordings are in this folder", where=str(path), advice=f"Name one: {names}."
    )


def _records(f: Any) -> Iterator[Any]:
    return StreamReader(f, validate_crcs=True, record_size_limit=_LARGEST_RECORD).records


def _words(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__


def _no_recording(path: Path, why: str) -> PersonError:
    return PersonError(
        f"this is no livealign recording ({why})",
        where=str(path),
        advice="Name a .mcap file written by: livealign run --record FOLDER",
    )
