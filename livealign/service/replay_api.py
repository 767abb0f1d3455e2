"""The part of the API that only a replay has: to and fro in time."""

from typing import Annotated, Any, Literal

from fastapi import Body, FastAPI
from pydantic import BaseModel, ConfigDict, Field

from livealign.service.playback import Playback

__all__ = ["add_replay"]

Seconds = Annotated[float, Field(ge=-1e7, le=1e7, allow_inf_nan=False)]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Pause(_Asked):
    """Stand still."""

    do: Literal["pause"]


class Continue(_Asked):
    """Go on."""

    do: Literal["continue"]


class Seek(_Asked):
    """Go to a time of the session."""

    do: Literal["seek"]
    to_s: Seconds


class Skip(_Asked):
    """Go on or back by a time."""

    do: Literal["skip"]
    by_s: Seconds


class Step(_Asked):
    """Pause, and go on or back by a number of snapshots."""

    do: Literal["step"]
    snapshots: Annotated[int, Field(ge=-100_000, le=100_000)] = 1


class Speed(_Asked):
    """Go faster or slower than it was."""

    do: Literal["speed"]
    times: Annotated[float, Field(ge=0.01, le=1000, allow_inf_nan=False)]


Asked = Annotated[Pause | Continue | Seek | Skip | Step | Speed, Field(discriminator="do")]


class Where(BaseModel):
    """Where the replay is."""

    time_s: float
    until_s: float
    snapshots: int
    """How many there have been up to now."""
    paused: bool
    at_end: bool
    seeking: bool
    """It is still on its way."""
    speed: float


def add_replay(app: FastAPI, playback: Playback) -> None:
    """Add `/api/replay` to the API of a playback."""

    @app.get("/api/replay")
    async def where() -> Where:
        """Return where the replay is."""
        return Where(**playback.state())

    @app.post("/api/replay")
    async def control(asked: Annotated[Asked, Body()]) -> Where:
        """Pause, continue, seek, skip, step or change the speed; answers when it is there, or after 5 s on the way."""
        await _obey(playback, asked)
        return Where(**playback.state())


async def _obey(playback: Playback, asked: Any) -> None:
    match asked:
        case Pause():
            playback.pause(paused=True)
        case Continue():
            playback.pause(paused=False)
        case Seek():
            await playback.seek(asked.to_s)
        case Skip():
            await playback.seek_by(asked.by_s)
        case Step():
            await playback.step(asked.snapshots)
        case Speed():
            playback.set_speed(asked.times)
