"""What a driver, a format and the rest of the program agree on.

A driver moves bytes: it yields `Frame`s and `LinkEvent`s and knows no field. A format turns frames into
named fields and knows no transport. Both are found by entry point (`livealign.drivers`, `livealign.formats`)
and configured by the rig file through their own pydantic model.
"""

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

__all__ = ["Clock", "Driver", "Format", "Frame", "LinkEvent", "LinkState", "Options", "Records"]

Floats = NDArray[np.float64]

LinkState = Literal["connecting", "open", "silent", "lost", "refused", "ended"]
"""connecting: being opened; open: data may come; silent: open, but nothing comes (told by the watchdog, never by a driver);
lost: gone, will be tried again; refused: needs a person; ended: a file that has been read to its end."""


class Clock(Protocol):
    """Host time in whole nanoseconds since the session began."""

    def __call__(self) -> int:
        """Return the time now."""
        ...


class Options(BaseModel):
    """Base of every driver's and format's settings: unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True, slots=True)
class Frame:
    """Bytes as they came: a chunk of a byte stream or one whole message."""

    link: str
    payload: bytes
    time_ns: int
    """Arrival of the last byte, in nanoseconds of the session's clock."""


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """A change of a link's state, said once."""

    link: str
    state: LinkState
    time_ns: int
    detail: str = ""
    """Cause and advice for the person; empty when all is well. "open" may be said again: with what is the matter though the
    link stands, such as a head that does not answer, and with nothing once that is over."""
    dropped: int = 0
    """Frames dropped since the event before, because a queue was full."""


@dataclass(frozen=True, slots=True)
class Records:
    """Decoded records as columns; a field missing from a record is NaN there, and only there."""

    columns: Mapping[str, Floats]
    count: int
    bad: int = 0
    """Records that could not be read or failed their checksum."""
    last_bad: str = ""
    """The last of them and what was wrong, shortened, for the person."""


@runtime_checkable
class Driver(Protocol):
    """Moves bytes of one link.

    Iterating yields frames and link events in the order they happened, for ever: a driver reconnects by itself,
    with a growing pause, until `close` is called. `close` may be called at any time, more than once, also while
    another task iterates: the iteration then ends, and no thread, task, descriptor or port is left.
    """

    options_model: ClassVar[type[Options]]

    def __init__(self, link: str, options: Any, clock: Clock) -> None:
        """Keep the link's name, its validated options (an instance of `options_model`) and the clock; open nothing."""
        ...

    def __aiter__(self) -> AsyncIterator[Frame | LinkEvent]:
        """Open the link and yield what comes."""
        ...

    async def close(self) -> None:
        """End the iteration and release everything."""
        ...


@runtime_checkable
class Format(Protocol):
    """Turns the bytes of one link into fields, and fields into bytes (for simulated devices).

    Payloads that wait may be joined before they are decoded, unless the format has an attribute `messages` that is true:
    each is a whole message to it then.
    """

    options_model: ClassVar[type[Options]]

    def __init__(self, options: Any) -> None:
        """Keep the validated options (an instance of `options_model`)."""
        ...

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        ...

    def encode(self, fields: Mapping[str, float]) -> bytes:
        """Return one record as it would come over the wire."""
        ...

    def preamble(self) -> bytes:
        """Return what a device sends first after it starts, such as a header line; often nothing."""
        ...

    def reset(self) -> None:
        """Forget an incomplete record: the link was interrupted."""
        ...
