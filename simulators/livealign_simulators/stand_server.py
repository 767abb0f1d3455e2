"""The practice stand's control interface: actions and state over HTTP on this computer, and a page with buttons."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from livealign.errors import PersonError
from livealign.service.guard import Guard
from livealign.service.listening import QuietServer, listen, new_token
from livealign_simulators.actions import read_action
from livealign_simulators.stand import Stand

__all__ = ["Access", "create_stand_app", "open_stand"]

_HOST = "127.0.0.1"
_LONGEST_BODY = 65536
_MOST_WAITING = 50
# The page brings all it needs in itself, and may speak with the stand only.
_PAGE_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; "
    "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


@dataclass(frozen=True, slots=True)
class Access:
    """How to reach a stand."""

    url: str
    token: str

    @property
    def page(self) -> str:
        """The address of the page with the buttons; what stands behind # never leaves the browser."""
        return f"{self.url}/#{self.token}"

    def told(self) -> dict[str, str]:
        """Return it for the first line of `simulate`."""
        return {"url": self.url, "token": self.token, "page": self.page}


def create_stand_app(stand: Stand, *, token: str) -> Starlette:
    """Return the control interface of a stand; all but the page itself asks for the token."""
    page = (resources.files("livealign_simulators") / "data" / "stand.html").read_text(encoding="utf-8")
    waiting = 0

    async def act(request: Request) -> Response:
        nonlocal waiting
        body = await _body(request)
        if body is None:
            return _trouble(413, f"more than {_LONGEST_BODY} bytes are no action")
        try:
            action = read_action(body)
        except PersonError as e:
            return _trouble(422, e.what, e.advice)
        if waiting >= _MOST_WAITING:
            return _trouble(503, "too many actions are waited for", 'Send them with "wait": false.')
        waiting += 1
        try:
            return JSONResponse(await stand.act(action))
        except PersonError as e:
            return _trouble(409, e.what, e.advice)
        finally:
            waiting -= 1

    async def state(request: Request) -> Response:
        truth = request.query_params.get("truth") == "1"
        return JSONResponse(stand.state(truth=truth), headers={"Cache-Control": "no-store"})

    async def show_page(_request: Request) -> Response:
        return HTMLResponse(page, headers=_PAGE_HEADERS)

    app = Starlette(
        routes=[
            Route("/actions", act, methods=["POST"]),
            Route("/state", state),
            Route("/", show_page),
        ]
    )
    app.add_middleware(
        Guard,
        token=token,
        loopback_only=True,
        open_paths=frozenset({"/"}),
        token_is="It stands in the first line that `livealign simulate` prints.",  # noqa: S106 - a place, not a token
    )
    return app


@contextlib.asynccontextmanager
async def open_stand(stand: Stand, port: int) -> AsyncIterator[Access]:
    """Serve a stand on this computer's own address while the context lasts; port 0 takes any free one.

    Raises:
        PersonError: if the port cannot be had.
    """
    token = new_token()
    with listen((_HOST, port), "--control-http 0") as listening:
        server = QuietServer(create_stand_app(stand, token=token))
        serving = asyncio.create_task(server.serve(sockets=[listening]), name="control")
        try:
            while not server.started and not serving.done():  # noqa: ASYNC110 - uvicorn has no event for it
                await asyncio.sleep(0.01)
            yield Access(f"http://{_HOST}:{listening.getsockname()[1]}", token)
        finally:
            server.should_exit = True
            await asyncio.gather(serving, return_exceptions=True)
            server.let_go()


async def _body(request: Request) -> bytes | None:
    """Return the body of a request, or None if it is too long."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _LONGEST_BODY:
            return None
    return body


def _trouble(status: int, what: str, advice: str = "") -> Response:
    told: dict[str, Any] = {"detail": what}
    if advice:
        told["advice"] = advice
    return JSONResponse(told, status)
