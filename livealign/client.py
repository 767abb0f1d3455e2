"""A client of a running service."""

import json
from collections.abc import AsyncGenerator
from contextlib import aclosing
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlsplit

import httpx
from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, InvalidHandshake, InvalidStatus, InvalidURI

from livealign.errors import PersonError
from livealign.paths import ServiceNote
from livealign.snapshot import Snapshot, decode

__all__ = ["Client"]

TIMEOUT_S = 10.0
LARGEST_SNAPSHOT = 16 << 20


class Client:
    """Reads snapshots and gives commands; use it with `async with`.

    Every method raises `PersonError` when the service cannot be reached, is lost or refuses.
    """

    def __init__(self, url: str, token: str) -> None:
        """Keep where the service is; nothing is opened.

        Raises:
            PersonError: if the URL is not one of a service.
        """
        parts = urlsplit(url)
        if parts.scheme not in {"http", "https"} or not parts.netloc:
            raise PersonError(
                f"{url!r} is not the URL of a service",
                advice="It looks like http://127.0.0.1:8765; `run` prints it.",
            )
        self.url = url.rstrip("/")
        self._headers = {"Authorization": f"Bearer {token}"}
        self._http = httpx.AsyncClient(
            base_url=self.url, headers=self._headers, timeout=TIMEOUT_S, trust_env=False
        )

    @classmethod
    def of(cls, note: ServiceNote) -> Self:
        """Return a client of the service that left this note."""
        return cls(note.url, note.token)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._http.aclose()

    async def snapshot(self) -> Snapshot:
        """Return the latest snapshot."""
        return self._decoded((await self._request("GET", "/api/snapshot")).content)

    async def health(self) -> dict[str, Any]:
        """Return the service's counters."""
        health: dict[str, Any] = (await self._request("GET", "/api/health")).json()
        return health

    async def command(self, name: str, **args: Any) -> None:
        """Give a command; `args` are its own, such as `plane` with `adjust`.

        Raises:
            PersonError: if it was refused, with the reason.
        """
        await self._request("POST", "/api/commands", json={"name": name, **args})

    async def stream(self) -> AsyncGenerator[Snapshot]:
        """Yield the latest snapshot, then each new one; raises PersonError when the service is lost.

        Who leaves the loop early closes the connection with `contextlib.aclosing` or `aclose()`.
        """
        async with aclosing(self.stream_raw()) as texts:
            async for text in texts:
                yield self._decoded(text)

    async def stream_raw(self) -> AsyncGenerator[str]:
        """Yield snapshots as the text they came in; raises PersonError when the service is lost."""
        url = f"ws{self.url.removeprefix('http')}/api/stream"
        try:
            async with connect(
                url,
                additional_headers=self._headers,
                proxy=None,
                compression=None,
                open_timeout=TIMEOUT_S,
                close_timeout=1,
                max_size=LARGEST_SNAPSHOT,
            ) as socket:
                while True:
                    text = await socket.recv()
                    yield text if isinstance(text, str) else text.decode()
        except ConnectionClosed as e:
            said = e.rcvd.reason if e.rcvd is not None else ""
            raise self._trouble(f"the service has gone{f': {said}' if said else ''}") from e
        except InvalidStatus as e:
            raise self._refusal(e.response.status_code, bytes(e.response.body or b"")) from e
        except (OSError, TimeoutError, InvalidHandshake, InvalidURI) as e:
            raise self._unreachable(e) from e

    async def _request(self, method: str, path: str, **more: Any) -> httpx.Response:
        try:
            response = await self._http.request(method, path, **more)
        except (httpx.HTTPError, httpx.InvalidURL) as e:
            raise self._unreachable(e) from e
        if response.status_code >= 400:
            raise self._refusal(response.status_code, response.content)
        return response

    def _decoded(self, data: bytes | str) -> Snapshot:
        try:
            return decode(data)
        except ValueError as e:
            raise self._trouble(
                "what came is no snapshot that this version knows",
                "Use the same version of livealign for the service and for its clients.",
            ) from e

    def _refusal(self, status: int, body: bytes) -> PersonError:
        said = _detail(body)
        if status == 401:
            return self._trouble(
                "the service does not accept the token", "Read it again from the service's note."
            )
        if status in {409, 503}:
            return PersonError(said)
        if status == 422:
            return PersonError(f"the service does not understand the command: {said}")
        return self._trouble(f"the service refuses ({status}): {said}")

    def _unreachable(self, cause: Exception) -> PersonError:
        return self._trouble(
            f"the service cannot be reached ({cause or type(cause).__name__})",
            "Is it running? Start one with: livealign run --job JOB --rig RIG",
        )

    def _trouble(self, what: str, advice: str = "") -> PersonError:
        return PersonError(what, where=self.url, advice=advice)


def _detail(body: bytes) -> str:
    """Return the words in an error's body."""
    try:
        detail = json.loads(body)["detail"]
        if isinstance(detail, str):
            return detail
        return "; ".join(f"{'.'.join(str(k) for k in x['loc'])}: {x['msg']}" for x in detail)
    except (ValueError, KeyError, TypeError):
        return body[:200].decode(errors="replace") or "no reason given"
