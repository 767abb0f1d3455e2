"""What no file may do to the readers of rig files, job files and recordings: more than be refused, in words."""

import tempfile
from collections.abc import Callable
from pathlib import Path

from livealign.config.load import parse_job, parse_rig
from livealign.errors import PersonError
from livealign.record.layout import SCHEMAS
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.session.events import Command, Tick
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["CHECKS", "job", "recording", "rig"]

STATES = set(SCHEMAS["links"]["properties"]["state"]["enum"])
NAMES = set(SCHEMAS["commands"]["properties"]["name"]["enum"])
PLANES = set(SCHEMAS["commands"]["properties"]["plane"]["enum"])


def job(data: bytes) -> None:
    """A job file."""
    _refused_or_right(parse_job, data)


def rig(data: bytes) -> None:
    """A rig file."""
    _refused_or_right(parse_rig, data)


def recording(data: bytes) -> None:
    """A recording, torn or worse: what is read from it is what could have been recorded."""
    with tempfile.NamedTemporaryFile(suffix=".mcap", dir=SHARED) as file:
        file.write(data)
        file.flush()
        try:
            found = Recording(Path(file.name))
        except PersonError as e:
            _in_words(e)
            return
        assert isinstance(found.job_text, str)
        assert found.header.snapshots_per_s == found.header.snapshots_per_s
        for item in found.items():
            assert _could_be(item), item


SHARED = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108 - memory, not a disk


def _refused_or_right(parse: Callable[[str, str], object], data: bytes) -> None:
    try:
        parse(data.decode("utf-8", "replace"), "here")
    except PersonError as e:
        _in_words(e)


def _in_words(error: PersonError) -> None:
    assert str(error)


def _could_be(item: object) -> bool:
    match item:
        case Frame():
            return isinstance(item.payload, bytes)
        case LinkEvent():
            return (
                item.state in STATES
                and isinstance(item.detail, str)
                and type(item.dropped) is int
                and item.dropped >= 0
            )
        case Command():
            whole = isinstance(item.text, str) and type(item.on) is bool
            return whole and item.name in NAMES and item.plane in PLANES
        case _:
            return isinstance(item, Tick | RecordedSnapshot)


CHECKS: dict[str, Callable[[bytes], None]] = {"rig": rig, "job": job, "recording": recording}
"""Target -> its check."""
