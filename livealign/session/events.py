"""What a session is fed with. Together, in order, they determine every snapshot."""

from dataclasses import dataclass
from typing import Literal, TypeAlias

from livealign.snapshot import ClosingState, ItemState, Plane, Side
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["Action", "Command", "CommandName", "Event", "Tick"]

CommandName = Literal[
    "begin_rotation",
    "end_rotation",
    "adjust",
    "hold",
    "note",
    "check_off",
    "close_out",
    "soft_foot",
    "bolt_up",
]
Action = Literal["begin", "loosen", "tighten", "gauge", "mark", "end"]


@dataclass(frozen=True, slots=True)
class Command:
    """What a person asked for."""

    name: CommandName
    time_ns: int
    plane: Plane | None = None
    """With `adjust`: the plane to follow; None keeps the one chosen before."""
    on: bool = True
    """With `hold`; with `close_out`, false opens the job again."""
    text: str = ""
    """With `note`; with `check_off` and `close_out` a remark, or the reason; with `bolt_up` mark the step."""
    item: str = ""
    """With `check_off`: the item's id."""
    state: ItemState | ClosingState | None = None
    """With `check_off`: what the item is now; with `close_out`: as what the job is closed."""
    who: str = ""
    """With `check_off` and `close_out`: the person who answers for it."""
    value_mm: float | None = None
    """With `check_off`: what was measured, where the item has a limit."""
    action: Action | None = None
    """With `soft_foot` and `bolt_up`: what is done."""
    foot: str = ""
    """With `soft_foot` loosen and gauge: the foot plane."""
    side: Side | None = None
    """Of that plane."""
    gaps_mm: tuple[float, ...] = ()
    """With `soft_foot` gauge: inner near, inner far, outer near, outer far."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed and nothing else happened."""

    time_ns: int


Event: TypeAlias = Frame | LinkEvent | Command | Tick
