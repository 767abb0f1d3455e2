"""A client of the practice stand: a simulated machine that does what it is told."""

from typing import Any
from urllib.parse import urlsplit

import httpx

from livealign.errors import PersonError

__all__ = ["StandClient"]

_TIMEOUT_S = 5.0


class StandClient:
    """Every method raises `PersonError` where the stand cannot be reached or refuses; close it at the end."""

    def __init__(self, page: str, *, transport: httpx.AsyncBaseTransport | None = None) -> None:
        """Keep where the stand is; nothing is opened.

        Args:
            page: the address of its page, with the token behind `#`, as `livealign simulate --control-http` says it.
            transport: the way to the stand; left out, the network.

        Raises:
            PersonError: if that is no such address.
        """
        parts = urlsplit(page)
        if parts.scheme not in {"http", "https"} or not parts.netloc or not parts.fragment:
            raise PersonError(
                f"{page!r} is not the address of a practice stand",
                advice="It looks like http://127.0.0.1:8765/#TOKEN; `livealign simulate --control-http` prints it.",
            )
        self.url = f"{parts.scheme}://{parts.netloc}"
        self._http = httpx.AsyncClient(
            base_url=self.url,
            headers={"Authorization": f"Bearer {parts.fragment}"},
            timeout=_TIMEOUT_S,
            trust_env=False,
            transport=transport,
        )

    async def close(self) -> None:
        """Let go of the connection."""
        await self._http.aclose()

    async def act(self, **action: Any) -> dict[str, Any]:
        """Have something done at the machine, such as `do="shim", foot="near feet", mm=0.1`."""
        return await self._request("POST", "/actions", json=action)

    async def state(self, *, truth: bool = False) -> dict[str, Any]:
        """Return what has been done so far; the truth only where it is asked for."""
        return await self._request("GET", "/state", params={"truth": "1"} if truth else {})

    async def _request(self, method: str, path: str, **more: Any) -> dict[str, Any]:
        try:
            answer = await self._http.request(method, path, **more)
            told = answer.json()
        except (httpx.HTTPError, httpx.InvalidURL, ValueError) as e:
            raise PersonError(
                "the practice stand does not answer",
                where=self.url,
                advice="Does livealign simulate still run?",
            ) from e
        if not isinstance(told, dict):
            raise PersonError("this is not a practice stand", where=self.url)
        if answer.status_code >= 400:
            raise PersonError(str(told.get("detail", answer.status_code)), advice=str(told.get("advice", "")))
        return told
