"""The API: the latest snapshot, the stream of them, and commands."""

import asyncio
from collections.abc import Coroutine
from typing import Annotated, Any, Literal

from fastapi import Body, FastAPI, HTTPException, Response, WebSocket, WebSocketDisconnect
from pydantic import BaseModel, ConfigDict, Field

from livealign import __version__
from livealign.service.daemon import RefusedError
from livealign.service.guard import Guard
from livealign.service.hub import Listener
from livealign.service.served import Served
from livealign.snapshot import ClosingState, ItemState, Plane, Side, Snapshot, json_schema

__all__ = ["create_app"]

LAST_WORDS_S = 0.3


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class BeginRotation(_Asked):
    """Start a rotation sweep; the readings of an earlier one are let go."""

    name: Literal["begin_rotation"]


class EndRotation(_Asked):
    """End the sweep and keep what it found."""

    name: Literal["end_rotation"]


class Adjust(_Asked):
    """Follow the machine live in one plane while it is moved."""

    name: Literal["adjust"]
    plane: Plane | None = None


class Hold(_Asked):
    """Keep readings out of the estimate (on), or let them in again (off)."""

    name: Literal["hold"]
    on: bool = True


class Note(_Asked):
    """Put a remark into the record."""

    name: Literal["note"]
    text: Annotated[str, Field(min_length=1, max_length=500)]


_Who = Annotated[str, Field(max_length=60)]
_Remark = Annotated[str, Field(max_length=500)]
_Mm = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]


class CheckOff(_Asked):
    """Say of an item of the checklist that it is done, not applicable (with the reason), or open again."""

    name: Literal["check_off"]
    item: Annotated[str, Field(max_length=40)]
    state: ItemState = "done"
    who: _Who
    text: _Remark = ""
    value_mm: _Mm | None = None
    """What was measured, where the item has a limit."""


class CloseOut(_Asked):
    """Close the job as verified or not verified; with `on` false, open it again."""

    name: Literal["close_out"]
    state: ClosingState = "verified"
    who: _Who = ""
    text: _Remark = ""
    on: bool = True


class SoftFootSearch(_Asked):
    """Look for soft feet: begin a round, loosen one bolt, tighten it, enter gaps by feeler gauge, end the round."""

    name: Literal["soft_foot"]
    action: Literal["begin", "loosen", "tighten", "gauge", "end"]
    foot: Annotated[str, Field(max_length=60)] = ""
    side: Side | None = None
    gaps_mm: Annotated[tuple[_Mm, ...], Field(max_length=4)] = ()


class BoltUpWatch(_Asked):
    """Watch the shaft while flanges or bolts are tightened: begin, mark each step, end."""

    name: Literal["bolt_up"]
    action: Literal["begin", "mark", "end"]
    text: Annotated[str, Field(max_length=60)] = ""
    """With mark: what was tightened."""


AnyCommand = Annotated[
    BeginRotation | EndRotation | Adjust | Hold | Note | CheckOff | CloseOut | SoftFootSearch | BoltUpWatch,
    Field(discriminator="name"),
]


class Obeyed(BaseModel):
    """The answer to a command that was obeyed."""

    name: str
    time_s: float
    """When, in seconds of the session."""


class Trouble(BaseModel):
    """Why something was not done, in words."""

    detail: str


_REFUSALS: dict[int | str, dict[str, Any]] = {401: {"model": Trouble}, 403: {"model": Trouble}}


def create_app(daemon: Served, *, token: str, loopback_only: bool) -> FastAPI:
    """Return the API of a daemon; it is guarded by the token (see `Guard`)."""
    # Pages that show the API would fetch scripts from elsewhere: only the description itself is served.
    app = FastAPI(title="livealign", version=__version__, docs_url=None, redoc_url=None)
    app.add_middleware(Guard, token=token, loopback_only=loopback_only)
    hub = daemon.hub

    @app.get("/api/snapshot", response_model=Snapshot, responses={**_REFUSALS, 503: {"model": Trouble}})
    async def snapshot() -> Response:
        """Return the latest snapshot."""
        if hub.latest is None:
            raise HTTPException(503, "There is no snapshot yet: ask again in a moment.")
        return Response(hub.latest, media_type="application/json")

    @app.post("/api/commands", responses={**_REFUSALS, 409: {"model": Trouble}})
    async def command(asked: Annotated[AnyCommand, Body()]) -> Obeyed:
        """Obey a command, after everything that came before it; 409 says why it cannot be obeyed now."""
        try:
            time_s = await daemon.command(**asked.model_dump())
        except RefusedError as e:
            raise HTTPException(409, str(e)) from None
        return Obeyed(name=asked.name, time_s=time_s)

    @app.get("/api/schema")
    async def schema() -> dict[str, Any]:
        """Return the JSON Schema of a snapshot."""
        return json_schema()

    @app.get("/api/health", responses=_REFUSALS)
    async def health() -> dict[str, Any]:
        """Return the counters of every queue, the recording's state and the program's version."""
        return {"version": __version__, **daemon.health()}

    @app.websocket("/api/stream")
    async def stream(socket: WebSocket) -> None:
        """Send the latest snapshot, then each new one, as text messages."""
        await socket.accept()
        with hub.listener() as listener:
            await _first_of(_send(socket, listener), _until_gone(socket), _until_late(listener))

    return app


async def _send(socket: WebSocket, listener: Listener) -> None:
    async for text in listener:
        await socket.send_text(text)
    await socket.close(1001, "the service is stopping")


async def _until_late(listener: Listener) -> None:
    """Return when the service stops and a client has had its time to take what waits."""
    await listener.closed.wait()
    await asyncio.sleep(LAST_WORDS_S)


async def _first_of(*coroutines: Coroutine[Any, Any, None]) -> None:
    """Run all until one has ended, then end the others."""
    tasks = [asyncio.create_task(c) for c in coroutines]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _until_gone(socket: WebSocket) -> None:
    """Return when the client has gone; what it sends is ignored."""
    try:
        while True:
            await socket.receive()
    except (WebSocketDisconnect, RuntimeError):  # the second: receive after the disconnect was seen
        return
