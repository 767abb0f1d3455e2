"""How a machine lies in truth when practice ends, beside what the program says."""

from dataclasses import asdict
from typing import Any
from urllib.parse import urlsplit

import httpx

from livealign.client import Client
from livealign.errors import PersonError
from livealign.paths import ServiceNote
from livealign_simulators.summary import compared

__all__ = ["left_by_hand"]


async def left_by_hand(note: ServiceNote, stand: str) -> str:
    """Return the comparison in words.

    Args:
        note: of the service that reads the machine.
        stand: the address of the machine's page, with the token behind `#`.

    Raises:
        PersonError: if one of both does not answer.
    """
    async with Client.of(note) as client:
        snapshot = await client.snapshot()
    told = {"pose": asdict(snapshot.pose), "feet": [asdict(f) for f in snapshot.feet]}
    return compared("As left by you", await _truth(stand), told, snapshot.verdict.state)


async def _truth(stand: str) -> dict[str, Any]:
    parts = urlsplit(stand)
    headers = {"Authorization": f"Bearer {parts.fragment}"}
    try:
        async with httpx.AsyncClient(headers=headers, trust_env=False) as http:
            answer = await http.get(f"{parts.scheme}://{parts.netloc}/state", params={"truth": "1"})
            truth: dict[str, Any] = answer.raise_for_status().json()["truth"]
    except httpx.HTTPError as e:
        raise PersonError("the practice stand does not answer", where=parts.netloc) from e
    return truth
