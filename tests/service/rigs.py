"""Two simple heads that speak over TCP or into a file, for tests of the service and of recordings."""

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import count
from pathlib import Path

import numpy as np

from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
JOB_TEXT = (EXAMPLES / "job.toml").read_text(encoding="utf-8")
RATE_HZ = 100
VERTICAL = (0.300, 0.4)
"""Offset in mm and slope in mm/m of the pose that the heads see."""
HORIZONTAL = (-0.150, -0.2)
_X_M = {"S": -0.130, "M": 0.130}
_SIGN = {"S": 1.0, "M": -1.0}
_COLUMNS = ("count", "ms", "angle", "spot", "light")


def rig_text(**drivers: str) -> str:
    """The example rig, with these drivers as TOML tables, by link."""
    text = (EXAMPLES / "rig.toml").read_text(encoding="utf-8")
    for link, driver in drivers.items():
        text = re.sub(rf'(name = "{link}"\ndriver = ){{.*}}', lambda m, d=driver: m[1] + d, text)
    return text


def tcp_rig(ports: dict[str, int]) -> str:
    return rig_text(**{k: f'{{ kind = "tcp", host = "127.0.0.1", port = {p} }}' for k, p in ports.items()})


class Head:
    """Makes the lines of one head while the shafts turn at 60 deg/s."""

    def __init__(self, link: str, seed: int = 1) -> None:
        self.link = link
        self._format = DelimitedFormat(DelimitedOptions(columns=_COLUMNS, checksum="xor8"))
        self._rng = np.random.default_rng([seed, ord(link)])
        self._numbers = count()

    def line(self) -> bytes:
        number = next(self._numbers)
        angle = np.radians(60.0 * number / RATE_HZ)
        (z, dz), (y, dy) = VERTICAL, HORIZONTAL
        x = _X_M[self.link]
        seen = (y + dy * x) * np.sin(angle) + (z + dz * x) * np.cos(angle)
        spot_um = 1000 * (0.2 + _SIGN[self.link] * seen) + self._rng.normal(0, 1)
        return self._format.encode(
            {
                "count": number % 65536,
                "ms": 1000 + 10 * number,
                "angle": float(np.degrees(angle)) % 360,
                "spot": float(spot_um),
                "light": 900,
            }
        )

    def lines(self, number: int) -> bytes:
        return b"".join(self.line() for _ in range(number))


@asynccontextmanager
async def speaking_heads() -> AsyncIterator[dict[str, int]]:
    """Both heads on TCP ports of their own, for as long as the context lasts; gives the ports by link."""
    writers: list[asyncio.StreamWriter] = []

    def speak_of(link: str):
        async def speak(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            head = Head(link)
            writers.append(writer)
            try:
                while True:
                    writer.write(head.lines(2))
                    await writer.drain()
                    await asyncio.sleep(2 / RATE_HZ)
            except ConnectionError:
                return
            finally:
                writer.close()

        return speak

    servers = {link: await asyncio.start_server(speak_of(link), "127.0.0.1", 0) for link in _X_M}
    try:
        yield {link: server.sockets[0].getsockname()[1] for link, server in servers.items()}
    finally:
        for server in servers.values():
            server.close()
        for writer in writers:
            writer.transport.abort()
        await asyncio.sleep(0.05)
