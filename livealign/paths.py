"""Where a running service leaves word of itself, in the platform's own folder."""

import json
import os
import warnings
from dataclasses import asdict, dataclass
from pathlib import Path

from livealign.errors import PersonError

__all__ = ["ServiceNote", "default_note_path", "read_note", "write_note"]


@dataclass(frozen=True, slots=True)
class ServiceNote:
    """How to reach a running service."""

    url: str
    token: str
    pid: int


def default_note_path() -> Path:
    """Return the file in which a service says where it is, unless told otherwise."""
    from platformdirs import user_runtime_path  # noqa: PLC0415 - keeps start-up short

    with warnings.catch_warnings():
        # Where the platform names no folder, platformdirs takes one below /tmp and warns: it will do.
        warnings.simplefilter("ignore")
        return user_runtime_path("livealign") / "service.json"


def write_note(note: ServiceNote, path: Path) -> None:
    """Write the note so that only its owner can read it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as f:
        json.dump(asdict(note), f)


def read_note(path: Path) -> ServiceNote:
    """Return the note a service left.

    Raises:
        PersonError: if there is none, or it cannot be read.
    """
    try:
        return ServiceNote(**json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise PersonError(
            "no running service was found",
            where=str(path),
            advice="Start one with: livealign run --job JOB --rig RIG",
        ) from None
    except (ValueError, TypeError, OSError) as e:
        raise PersonError(
            f"the service's note cannot be read: {e}", where=str(path), advice="Start the service again."
        ) from e
