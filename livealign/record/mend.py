"""What is whole of a torn recording, in a new file that is finished."""

from dataclasses import dataclass
from pathlib import Path

from livealign.record.reader import RecordedSnapshot, Recording
from livealign.record.writer import Recorder

__all__ = ["Mended", "mend"]


@dataclass(frozen=True, slots=True)
class Mended:
    """What was kept, and what not."""

    messages: int
    until_s: float
    """Session time of the last that was kept."""
    torn: str | None
    """Why the rest is lost, in words; None if nothing was."""
    bytes_read: int
    bytes_lost: int
    """Of the file, behind the last part that is whole."""


def mend(recording: Recording, path: Path) -> Mended:
    """Copy all that is whole into a new recording.

    Raises:
        PersonError: if the new file exists already or cannot be written.
    """
    header = recording.header
    recorder = Recorder(
        path,
        start_unix_ns=header.start_unix_ns,
        job_text=recording.job_text,
        rig_text=recording.rig_text,
        checklist_text=recording.checklist_text,
        snapshots_per_s=header.snapshots_per_s,
    )
    until_ns = 0
    with recorder:
        for item in recording.items():
            until_ns = max(until_ns, item.time_ns)
            if isinstance(item, RecordedSnapshot):
                recorder.snapshot(item.encoded, item.time_ns)
            else:
                recorder.event(item)
    size = recording.path.stat().st_size
    read = size if recording.torn is None else recording.whole_bytes
    return Mended(recorder.messages, until_ns / 1e9, recording.torn, read, size - read)
