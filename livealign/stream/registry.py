"""Drivers and formats by name, found by entry point; listing them imports none of them."""

import sys
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from livealign.errors import PersonError
from livealign.stream.contracts import Driver, Format

__all__ = ["driver_class", "driver_names", "format_class", "format_names"]

DRIVERS = "livealign.drivers"
FORMATS = "livealign.formats"


def driver_names() -> list[str]:
    """Return the names of all installed drivers, sorted."""
    return sorted(_installed(DRIVERS, tuple(sys.path)))


def format_names() -> list[str]:
    """Return the names of all installed formats, sorted."""
    return sorted(_installed(FORMATS, tuple(sys.path)))


def driver_class(name: str) -> type[Driver]:
    """Import and return the driver of that name.

    Raises:
        PersonError: if no such driver is installed, or it cannot be imported.
    """
    loaded: type[Driver] = _load(DRIVERS, name)
    return loaded


def format_class(name: str) -> type[Format]:
    """Import and return the format of that name.

    Raises:
        PersonError: if no such format is installed, or it cannot be imported.
    """
    loaded: type[Format] = _load(FORMATS, name)
    return loaded


@lru_cache(maxsize=16)
def _installed(group: str, _path: tuple[str, ...]) -> Mapping[str, EntryPoint]:
    """Return the entry points of a group: kept, since looking reads what every installed package tells of itself."""
    return {e.name: e for e in entry_points(group=group)}


def _load(group: str, name: str) -> Any:
    found = _installed(group, tuple(sys.path))
    entry = found.get(name)
    kind = group.rpartition(".")[2].removesuffix("s")
    if entry is None:
        raise PersonError(f"no {kind} is called {name!r}", advice=f"Installed: {', '.join(sorted(found))}.")
    try:
        return entry.load()
    except ImportError as e:
        raise PersonError(
            f"the {kind} {name!r} cannot be loaded: {e}", advice=f"It is named in {entry.value!r}."
        ) from e
