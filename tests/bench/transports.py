"""Transports: from a head's sending to a decoded block out of our reader, beside a bare loop over the same library."""

import asyncio
import statistics
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

from far_ends import TRANSPORTS, Transport
from figures import Figure, percentile

from livealign.stream.contracts import Frame
from livealign.stream.reader import LinkReader
from livealign_drivers._envelope import Checksum
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

__all__ = ["measure", "reader", "reading"]

ROUNDS = 5
PACED, PACED_HZ = 300, 400.0
LEAST_SHARE = 0.6
MOST_LATE_MS = 2.0
QUIET_S = 0.25
COLUMNS = ("count", "us", "angle", "spot", "light")

Take = Callable[[bytes], None]


def measure() -> list[Figure]:
    return [figure for transport in TRANSPORTS for figure in asyncio.run(_measured(transport))]


@dataclass
class Taker:
    """Counts messages, and when the first and the last came."""

    count: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    late_ms: list[float] = field(default_factory=list)

    def came(self, messages: int) -> None:
        self.last_s = time.perf_counter()
        self.first_s = self.first_s or self.last_s
        self.count += messages

    def take(self, payload: bytes) -> None:
        """Take bytes alone."""
        self.came(payload.count(b"\n"))

    def finish(self) -> None:
        """Do what can wait until all is there."""


class Stamps(Taker):
    """Notes when bytes came; reads when they were sent later."""

    def __init__(self) -> None:
        super().__init__()
        self._heard: list[tuple[int, bytes]] = []

    def take(self, payload: bytes) -> None:
        self._heard.append((time.perf_counter_ns(), payload))
        super().take(payload)

    def finish(self) -> None:
        rest = b""
        for at, payload in self._heard:
            *lines, rest = (rest + payload).split(b"\n")
            self.late_ms += [at / 1e6 - int(line.split(b",")[1]) / 1e3 for line in lines]


class Floats(Taker):
    """The plain way to numbers."""

    rest = b""

    def take(self, payload: bytes) -> None:
        *lines, self.rest = (self.rest + payload).split(b"\n")
        for line in lines:
            [float(x) for x in line.split(b",")]
        self.came(len(lines))


class Blocks(Taker):
    """Our way to numbers: what waits is read together, as a session does for each snapshot."""

    together_s: ClassVar[float] = 0.02

    def __init__(self) -> None:
        super().__init__()
        self._reader = reader()
        self._waiting: list[bytes] = []
        self._loop = asyncio.get_running_loop()

    def take(self, payload: bytes) -> None:
        if not self._waiting:
            self._loop.call_later(self.together_s, self._read)
        self._waiting.append(payload)

    def _read(self) -> None:
        batch = self._reader.read(b"".join(self._waiting), time.perf_counter())
        self._waiting.clear()
        if batch is not None:
            now_ms = time.perf_counter_ns() / 1e6
            self.came(len(batch.time_s))
            if self.count <= PACED:
                self.late_ms += (now_ms - batch.columns["us"] / 1e3).tolist()


class PromptBlocks(Blocks):
    """The same, without waiting for more."""

    together_s = 0.0


def reader(checksum: Checksum = "none") -> LinkReader:
    """Return a reader of the talker's lines."""
    form = DelimitedFormat(DelimitedOptions(columns=COLUMNS, checksum=checksum))
    return LinkReader(
        form, clock=("us", "us", None), sequence=("count", 32), nominal_rate_hz=None, device_time=False
    )


@asynccontextmanager
async def reading(transport: Transport, place: Any, take: Take) -> AsyncIterator[None]:
    """Read with our driver."""
    driver = transport.driver(place, time.perf_counter_ns)
    opened = asyncio.Event()

    async def listen() -> None:
        async for item in driver:
            if isinstance(item, Frame):
                take(item.payload)
            elif item.state == "open":
                opened.set()

    task = asyncio.create_task(listen())
    try:
        async with asyncio.timeout(30):
            await opened.wait()
        yield
    finally:
        await driver.close()
        await task


WAYS: dict[str, tuple[bool, type[Taker]]] = {
    "bare": (False, Taker),
    "ours": (True, Taker),
    "bare numbers": (False, Floats),
    "our numbers": (True, Blocks),
}
LATENCIES: dict[str, tuple[bool, type[Taker]]] = {"bare": (False, Stamps), "ours": (True, PromptBlocks)}


async def _measured(transport: Transport) -> list[Figure]:
    rates: dict[str, list[float]] = {name: [] for name in WAYS}
    cpu: dict[str, list[float]] = {name: [] for name in WAYS}
    late: dict[str, list[float]] = {name: [] for name in LATENCIES}
    with tempfile.TemporaryDirectory() as name:
        async with transport.far_end(Path(name)) as (talk, place):
            for number in range(ROUNDS + 1):
                for way, (ours, taker) in WAYS.items():
                    taken, used_s = await _one(transport, place, ours, taker, _flooding(transport, talk))
                    if number:  # the first warms up
                        rates[way].append((taken.count - 1) / (taken.last_s - taken.first_s))
                        cpu[way].append(1e6 * used_s / taken.count)
                for way, (ours, taker) in LATENCIES.items():
                    taken, _ = await _one(transport, place, ours, taker, _pacing(talk))
                    if len(taken.late_ms) != PACED:
                        raise RuntimeError(f"{transport.name} has lost messages: {len(taken.late_ms)} came")
                    if number:
                        late[way] += taken.late_ms
    return _figures(transport.name, rates, cpu, late)


async def _one(
    transport: Transport, place: Any, ours: bool, taker: type[Taker], speak: Callable[[Taker], Any]
) -> tuple[Taker, float]:
    taken = taker()
    way = reading(transport, place, taken.take) if ours else transport.bare(place, taken.take)
    async with way:
        before = time.process_time()
        await speak(taken)
        used_s = time.process_time() - before
    taken.finish()
    return taken, used_s


def _flooding(transport: Transport, talk: Any) -> Callable[[Taker], Any]:
    async def speak(taken: Taker) -> None:
        await talk("flood", transport.messages)
        await _all_there(taken, transport.messages)

    return speak


def _pacing(talk: Any) -> Callable[[Taker], Any]:
    async def speak(taken: Taker) -> None:
        await talk("pace", PACED, PACED_HZ)
        await talk("wait")
        await _all_there(taken, PACED)

    return speak


async def _all_there(taken: Taker, messages: int) -> None:
    """Wait until all have come or, where some may be lost, nothing comes any more."""
    begin = time.perf_counter()
    while taken.count < messages and time.perf_counter() - max(begin, taken.last_s) < QUIET_S:  # noqa: ASYNC110
        await asyncio.sleep(0.01)


def _figures(
    name: str, rates: dict[str, list[float]], cpu: dict[str, list[float]], late: dict[str, list[float]]
) -> list[Figure]:
    rate = {way: statistics.median(values) for way, values in rates.items()}
    used = {way: statistics.median(values) for way, values in cpu.items()}
    figures = []
    for what, ours, bare in (("messages", "ours", "bare"), ("records", "our numbers", "bare numbers")):
        reached = rate[ours] >= LEAST_SHARE * rate[bare]
        reference = "bare loop" if bare == "bare" else "bare loop and float()"
        aim = f"at least {LEAST_SHARE:g}"
        figures += [
            Figure(f"{name}, {what}", rate[ours], "1/s", rate[bare], reference, aim, reached),
            Figure(f"{name}, CPU of one", used[ours], "us", used[bare], reference),
        ]
    for what, q in (("median", 50), ("p99", 99)):
        value, bare_ms = percentile(late["ours"], q), percentile(late["bare"], q)
        aim, reached = ("", None)
        if q == 50:
            aim, reached = f"bare + {MOST_LATE_MS:g} ms", value <= bare_ms + MOST_LATE_MS
        figures.append(Figure(f"{name}, latency, {what}", value, "ms", bare_ms, "bare loop", aim, reached))
    return figures
