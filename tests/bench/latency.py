"""Latency: a frame's last byte on a serial port to the snapshot at a client, beside a bare serial-to-WebSocket echo."""

import asyncio
import json
import os
import tempfile
import time
from collections.abc import AsyncIterable
from contextlib import aclosing, suppress
from pathlib import Path
from typing import Any

import numpy as np
from figures import Figure, percentile
from parts import Pty, running_daemon, running_echo
from websockets.asyncio.client import connect

from heads import JOB, LINKS, RATE_HZ, Head, write_rig
from livealign.client import Client

__all__ = ["measure"]

PART_S = 8.0
SETTLE_S = 1.0
TURN_DEG_PER_S = 45.0
AIM_MEDIAN_MS, AIM_P99_MS = 15.0, 40.0

Heard = list[tuple[int, Any]]
"""When a message came (ns), and what."""


class Rig:
    """Two heads that speak at their rate, half a period apart, and know when each line had been written."""

    def __init__(self) -> None:
        self.ports = {link: Pty() for link in LINKS}
        self.restart()

    def restart(self) -> None:
        """Begin to count lines anew: another program listens."""
        self.written: dict[str, list[int]] = {link: [] for link in LINKS}
        self._heads = {link: Head(link, np.random.default_rng(i)) for i, link in enumerate(LINKS)}
        self.angle_deg = 0.0

    async def speak(self, seconds: float, deg_per_s: float) -> None:
        """Write lines while the shafts turn, each at its time or, when late, at once."""
        begin = time.perf_counter()
        for number in range(round(seconds * RATE_HZ)):
            angle = np.array([self.angle_deg])
            for i, link in enumerate(LINKS):
                due = begin + (number + i / len(LINKS)) / RATE_HZ
                await asyncio.sleep(max(0.0, due - time.perf_counter()))
                (line,) = self._heads[link].lines(angle)
                if os.write(self.ports[link].descriptor, line) != len(line):
                    raise RuntimeError("the pseudo-terminal is full: nobody reads it")
                self.written[link].append(time.perf_counter_ns())
            self.angle_deg += deg_per_s / RATE_HZ

    def close(self) -> None:
        for port in self.ports.values():
            port.close()


def measure() -> list[Figure]:
    return asyncio.run(_measure())


async def _measure() -> list[Figure]:
    rig = Rig()
    try:
        # Before and after, so that a load that comes or goes meets both.
        echo = await _echo(rig)
        phases = await _daemon(rig)
        echo += await _echo(rig)
    finally:
        rig.close()
    figures = []
    for phase, (every, newest) in phases.items():
        for name, q, aim in (("median", 50, AIM_MEDIAN_MS), ("p99", 99, AIM_P99_MS)):
            value, bare = percentile(every, q), percentile(echo, q)
            reached = value <= bare + aim
            figures.append(
                Figure(f"{phase}, {name}", value, "ms", bare, "echo", f"echo + {aim:g} ms", reached)
            )
        bare = percentile(echo, 50)
        figures.append(Figure(f"{phase}, newest line, median", percentile(newest, 50), "ms", bare, "echo"))
    return figures


async def _echo(rig: Rig) -> list[float]:
    rig.restart()
    async with (
        running_echo(*(port.name for port in rig.ports.values())) as (_, url),
        connect(url, proxy=None, compression=None) as socket,
    ):
        await asyncio.sleep(SETTLE_S)  # its threads open the ports meanwhile
        heard: Heard = []
        listening = asyncio.create_task(_listen(socket, heard))
        await rig.speak(PART_S / 2, TURN_DEG_PER_S)
        await asyncio.sleep(SETTLE_S / 2)
        listening.cancel()
        with suppress(asyncio.CancelledError):
            await listening
    late: list[float] = []
    for number, link in enumerate(LINKS):
        written = iter(rig.written[link])
        for at, data in heard:
            if data[0] == number:
                late += [(at - next(written)) / 1e6 for _ in range(data.count(b"\n"))]
        if next(written, None) is not None:
            raise RuntimeError("the echo has lost lines")
    return late


async def _daemon(rig: Rig) -> dict[str, tuple[list[float], list[float]]]:
    rig.restart()
    result = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "rig.toml"
        write_rig(
            path, **{link: f'{{ kind = "serial", port = "{p.name}" }}' for link, p in rig.ports.items()}
        )
        async with (
            running_daemon(JOB, path, folder) as (_, note, _),
            Client.of(note) as client,
            aclosing(client.stream_raw()) as stream,
        ):
            await _until_open(stream)
            heard: Heard = []
            listening = asyncio.create_task(_listen(stream, heard))
            await client.command("begin_rotation")
            await rig.speak(SETTLE_S, TURN_DEG_PER_S)
            result["rotation"] = await _phase(rig, heard, TURN_DEG_PER_S)
            await client.command("end_rotation")
            await client.command("adjust", plane="vertical")
            await rig.speak(SETTLE_S, 0.0)
            result["adjust"] = await _phase(rig, heard, 0.0)
            listening.cancel()
            with suppress(asyncio.CancelledError):
                await listening
    return result


async def _until_open(stream: AsyncIterable[str]) -> None:
    async for text in stream:
        if all(link["state"] == "open" for link in json.loads(text)["links"]):
            return


async def _listen(stream: AsyncIterable[str | bytes], heard: Heard) -> None:
    async for message in stream:
        heard.append((time.perf_counter_ns(), message))


async def _phase(rig: Rig, heard: Heard, deg_per_s: float) -> tuple[list[float], list[float]]:
    """Return how late each line was in its first snapshot (ms), and each snapshot behind its newest line."""
    first = {link: len(rig.written[link]) for link in LINKS}
    await rig.speak(PART_S, deg_per_s)
    await asyncio.sleep(0.3)
    done = dict(first)
    every, newest = [], []
    for at, text in heard:
        latest = 0
        for link in json.loads(text)["links"]:
            name, records = link["name"], link["counters"]["records"]
            if link["counters"]["bad"] or records > len(rig.written[name]):
                raise RuntimeError(f"the link {name} counts other lines than were written")
            every += [(at - written) / 1e6 for written in rig.written[name][done[name] : records]]
            if records > done[name]:
                done[name] = records
                latest = max(latest, rig.written[name][records - 1])
        if latest:
            newest.append((at - latest) / 1e6)
    if done != {link: len(rig.written[link]) for link in LINKS}:
        raise RuntimeError("lines have been lost")
    heard.clear()
    return every, newest
