"""Captured bytes of links as the events of a session."""

from collections.abc import Iterator, Mapping
from pathlib import Path

from livealign.config.rig import Rig, Spec
from livealign.errors import PersonError
from livealign.session.events import Command, Event
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["captured_events", "captured_files", "rig_for_files"]

CHUNK_BYTES = 16384
"""Small against what the session keeps while one link waits for another."""
STEP_NS = 1_000_000


def captured_files(rig: Rig) -> dict[str, Path]:
    """Return the files that the rig itself names, by link: those with the driver `file`."""
    return {
        link.name: Path(str(link.driver.options["path"]))
        for link in rig.links
        if link.driver.kind == "file" and "path" in link.driver.options
    }


def rig_for_files(rig: Rig, files: Mapping[str, Path]) -> Rig:
    """Return the rig with these links read from files, which makes the device's clock the time.

    Raises:
        PersonError: if the rig has no such link, or a link has no file.
    """
    names = [link.name for link in rig.links]
    if strange := [name for name in files if name not in names]:
        raise PersonError(
            f"the rig {rig.name!r} has no link {strange[0]!r}", advice=f"Its links are: {', '.join(names)}."
        )
    if lacking := [name for name in names if name not in files]:
        raise PersonError(
            f"no captured bytes are given for the link {lacking[0]!r}", advice=f"Add: {lacking[0]}=FILE"
        )
    links = tuple(
        link.model_copy(
            update={"driver": Spec.model_validate({"kind": "file", "path": str(files[link.name])})}
        )
        for link in rig.links
    )
    return rig.model_copy(update={"links": links})


def captured_events(files: Mapping[str, Path]) -> Iterator[Event]:
    """Yield a whole rotation: the links open, their bytes side by side, and their end.

    The bytes of each link are spread evenly over the whole, so that links which were captured together stay
    together. The events' own times only count steps; the device's clock tells the time.

    Raises:
        PersonError: if a file cannot be read.
    """
    content = {link: _read(path) for link, path in files.items()}
    time_ns = 0
    for link in content:
        yield LinkEvent(link, "open", time_ns)
    yield Command("begin_rotation", time_ns)
    steps = max(1, *(-(-len(data) // CHUNK_BYTES) for data in content.values()))
    for step in range(steps):
        time_ns += STEP_NS
        for link, data in content.items():
            piece = data[len(data) * step // steps : len(data) * (step + 1) // steps]
            if piece:
                yield Frame(link, piece, time_ns)
    time_ns += STEP_NS
    yield Command("end_rotation", time_ns)
    for link in content:
        yield LinkEvent(link, "ended", time_ns)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as e:
        raise PersonError(
            f"the captured bytes cannot be read: {e.strerror or e}", where=str(path), advice="Check the name."
        ) from e
