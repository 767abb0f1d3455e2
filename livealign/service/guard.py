"""Lets in who has the token, and no web page that the service did not serve."""

import secrets
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["Guard", "is_loopback"]

OPEN_PATHS = frozenset({"/openapi.json", "/api/schema"})
"""What anybody may read: it holds nothing of the job."""
_LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


def is_loopback(host: str) -> bool:
    """Return whether a host name or address means this computer only."""
    return host.strip("[]").lower() in _LOOPBACK


class Guard:
    """ASGI middleware that checks Host, Origin and token of requests and WebSocket handshakes.

    Args:
        app: what is guarded.
        token: what a client must show, as a bearer token or (WebSocket only) as the query's `token`.
        loopback_only: refuse any other Host than this computer's names, so that no web page can reach the
            service through a name of its own that leads here.
        open_paths: what anybody may read.
        token_is: where people find the token, in words.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        token: str,
        loopback_only: bool,
        open_paths: frozenset[str] = OPEN_PATHS,
        token_is: str = "A running service leaves it in its note file.",  # noqa: S107 - a place, not a token
    ) -> None:
        self._app = app
        self._token = token.encode()
        self._loopback_only = loopback_only
        self._open_paths = open_paths
        self._token_is = token_is

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on or answer it with 401 or 403."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        origin = headers.get("origin")
        if self._loopback_only and not is_loopback(_without_port(host)):
            refusal = (403, f"This service answers to 127.0.0.1 or localhost only, not to {host!r}.")
        elif origin is not None and origin.lower() not in {
            f"http://{host}".lower(),
            f"https://{host}".lower(),
        }:
            refusal = (403, f"Pages from {origin!r} may not use this service.")
        elif scope["path"] not in self._open_paths and not self._knows_token(scope, headers):
            refusal = (401, f"The token is missing or wrong. {self._token_is}")
        else:
            await self._app(scope, receive, send)
            return
        status, words = refusal
        challenge = {"WWW-Authenticate": "Bearer"} if status == 401 else None
        await JSONResponse({"detail": words}, status, challenge)(scope, receive, send)

    def _knows_token(self, scope: Scope, headers: Headers) -> bool:
        scheme, _, shown = headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer":
            shown = ""
        if not shown and scope["type"] == "websocket":
            query = parse_qs(scope["query_string"].decode("latin-1"))
            shown = query.get("token", [""])[0]
        return secrets.compare_digest(shown.strip().encode(), self._token)


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0]
    return host.partition(":")[0]
