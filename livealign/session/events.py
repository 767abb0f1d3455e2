"""What a session is fed with. Together, in order, they determine every snapshot."""

from dataclasses import dataclass
from typing import Literal, TypeAlias

from livealign.snapshot import Plane
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["Command", "CommandName", "Event", "Tick"]

CommandName = Literal["begin_rotation", "end_rotation", "adjust", "hold", "note"]


@dataclass(frozen=True, slots=True)
class Command:
    """What a person asked for."""

    name: CommandName
    time_ns: int
    plane: Plane | None = None
    """With `adjust`: the plane to follow; None keeps the one chosen before."""
    on: bool = True
    """With `hold`."""
    text: str = ""
    """With `note`."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed and nothing else happened."""

    time_ns: int


Event: TypeAlias = Frame | LinkEvent | Command | Tick
