"""Replay: how late virtual heads send, beside a bare timer; how fast a session is computed again, beside a float() loop."""

import asyncio
import contextlib
import re
import time

import numpy as np
from figures import Figure, percentile

from heads import JOB, LINKS, RATE_HZ, RIG, Head
from livealign.config.load import load_pair
from livealign.service.playback import Playback
from livealign.session.engine import Session
from livealign.session.events import Command
from livealign.stream.contracts import Frame, LinkEvent
from livealign_simulators.player import Player
from livealign_simulators.ports import TcpPort

__all__ = ["measure"]

TIMED_S = 60
LONG_S = 60
WANTED_SPEED = 500
MOST_LATE_MS = 5.0


def measure() -> list[Figure]:
    late_ms, timer_ms = asyncio.run(_lateness())
    events = _events(LONG_S)
    return [
        Figure(
            f"sent late at 1x over {TIMED_S} s, 99 %",
            percentile(late_ms, 99),
            "ms",
            percentile(timer_ms, 99),
            "bare timer",
            f"at most {MOST_LATE_MS:g} ms",
            percentile(late_ms, 99) <= MOST_LATE_MS,
        ),
        *_speeds(events),
    ]


async def _lateness() -> tuple[list[float], list[float]]:
    """Play two heads at 100 Hz each over TCP; return how late each record was read, and how late a bare timer was."""
    ports = {link: TcpPort() for link in LINKS}
    player = Player(ports, speed=1.0, ask=lambda _: None, say=lambda *_: None)
    await player.plug_all()
    loop = asyncio.get_running_loop()
    course = [
        (round(1e9 * n / RATE_HZ + 1e6 * i), Frame(link, b"%09d\n" % n, 0))
        for n in range(TIMED_S * RATE_HZ)
        for i, link in enumerate(LINKS)
    ]
    arrived: dict[str, list[float]] = {link: [] for link in LINKS}
    timer: list[float] = []

    async def read(link: str) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", ports[link].address["port"])
        with contextlib.suppress(OSError):
            while await reader.readline():
                arrived[link].append(loop.time())
        writer.close()

    readers = [asyncio.create_task(read(link)) for link in LINKS]
    await asyncio.sleep(0.2)
    begin = loop.time()
    playing = asyncio.create_task(player.play(course))
    for n in range(TIMED_S * RATE_HZ):
        due = begin + n / RATE_HZ + 0.005
        await asyncio.sleep(max(0.0, due - loop.time()))
        timer.append(1e3 * (loop.time() - due))
    await playing
    await asyncio.sleep(0.2)
    for port in ports.values():
        await port.close()
    await asyncio.gather(*readers)
    late = []
    for i, link in enumerate(LINKS):
        if len(arrived[link]) != TIMED_S * RATE_HZ:
            raise RuntimeError("records were lost on the way")
        due_s = np.arange(TIMED_S * RATE_HZ) / RATE_HZ + 1e-3 * i + begin
        late += (1e3 * (np.array(arrived[link]) - due_s)).tolist()
    return late, timer


def _events(seconds: int) -> list[Frame | LinkEvent | Command]:
    """Return what two heads at 100 Hz sent, a frame for each record, while the shafts were turned twice and adjusted."""
    number = seconds * RATE_HZ
    angle_deg = 135.0 * (1.0 - np.cos(2.0 * np.pi * np.arange(number) / number * 2.0))
    # In the second half the shafts stand.
    angle_deg[number // 2 :] = angle_deg[number // 2]
    frames = [
        Frame(link, line, round(1e9 * n / RATE_HZ))
        for link in LINKS
        for n, line in enumerate(Head(link, np.random.default_rng(1)).lines(angle_deg))
    ]
    half_ns = seconds * 500_000_000
    others = [
        *(LinkEvent(link, "open", 0) for link in LINKS),
        Command("begin_rotation", 1_000_000),
        Command("end_rotation", half_ns),
        Command("adjust", half_ns + 1, "vertical"),
    ]
    return sorted([*others, *frames], key=lambda e: e.time_ns)


def _speeds(events: list[Frame | LinkEvent | Command]) -> list[Figure]:
    job, rig = load_pair(JOB, RIG)
    plain = [re.sub(rb"\*..\n", b"", e.payload) for e in events if isinstance(e, Frame)]
    begin = time.process_time()
    for line in plain:
        [float(x) for x in line.split(b",")]
    bare = LONG_S / (time.process_time() - begin)
    playback = Playback(lambda: Session(job, rig), events, paused=True)
    begin = time.process_time()
    playback.feed_until(LONG_S)
    core = LONG_S / (time.process_time() - begin)
    back = asyncio.run(_back(playback))
    return [
        Figure(
            "computed again, 50 snapshots a second",
            core,
            "x real time",
            bare,
            "float() loop",
            f"{WANTED_SPEED} x",
            core >= WANTED_SPEED,
        ),
        Figure(
            f"back to any time of {LONG_S} s, as if from the start",
            back,
            "x real time",
            aim=f"{WANTED_SPEED} x",
            reached=back >= WANTED_SPEED,
        ),
    ]


async def _back(playback: Playback) -> float:
    """Go back to many times; return the time of the session gone to for each second that took."""
    running = asyncio.create_task(playback.run())
    gone, took = 0.0, 0.0
    for to_s in np.random.default_rng(1).uniform(0, LONG_S, 20):
        await playback.seek(LONG_S)
        begin = time.process_time()
        await playback.seek(float(to_s))
        took += time.process_time() - begin
        gone += float(to_s)
    playback.stop()
    await running
    return gone / took
