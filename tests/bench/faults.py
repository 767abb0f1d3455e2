"""Faults of links: how soon each is told and over, and whether every message is accounted for.

A head counts its messages from 0; it leaves some numbers out and sends some lines twice. What our reader counts is
compared with the numbers in the bytes themselves.
"""

import asyncio
import signal
import tempfile
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
from far_ends import TRANSPORTS, Broker, a_bus, talking
from figures import Figure
from talker import TOPIC
from transports import reader

from livealign.stream.contracts import Driver, Frame, LinkEvent
from livealign.stream.reader import LinkReader
from livealign_drivers.mqtt import MqttDriver, MqttOptions

__all__ = ["measure"]

HZ = 400.0
BEFORE_S, AFTER_S, OUT_S = 0.7, 2.0, 0.5
QUIET_S = 0.5
KEEPALIVE_S = 2
CLIENT = "livealign-bench"

Happen = Callable[[], Awaitable[Any]]


@dataclass
class Case:
    """A link under way, and what happens to it."""

    name: str
    driver: Driver
    talk: Any
    fault: Happen | None = None
    mend: Happen | None = None
    out_s: float = OUT_S


@dataclass
class Book:
    """What came, twice over: counted by our reader, and the numbers as they stand in the bytes."""

    reader: LinkReader = field(default_factory=lambda: reader("xor8"))
    events: list[tuple[int, LinkEvent]] = field(default_factory=list)
    stretches: list[list[int]] = field(default_factory=lambda: [[]])
    frames: list[int] = field(default_factory=list)
    _rest: bytes = b""

    def take(self, item: Frame | LinkEvent) -> None:
        now_ns = time.perf_counter_ns()
        if isinstance(item, Frame):
            self.frames.append(now_ns)
            self.reader.read(item.payload, item.time_ns / 1e9)
            *lines, self._rest = (self._rest + item.payload).split(b"\n")
            self.stretches[-1] += [int(line.split(b",")[0]) for line in lines if line[-3:-2] == b"*"]
            return
        self.events.append((now_ns, item))
        if item.dropped or item.state in {"lost", "refused"}:
            self.reader.interrupted()
            self._rest = b""
            self.stretches.append([])

    @property
    def gaps(self) -> int:
        """Numbers missing while the link stood."""
        return sum(max(s) - min(s) + 1 - len(set(s)) for s in self.stretches if s)

    @property
    def distinct(self) -> int:
        return len({number for s in self.stretches for number in s})

    @property
    def repeats(self) -> int:
        return sum(map(len, self.stretches)) - self.distinct

    def when(self, state: str, after_ns: int) -> int | None:
        return next((at for at, event in self.events if event.state == state and at >= after_ns), None)


def measure() -> list[Figure]:
    return [figure for case in CASES for figure in asyncio.run(_tried(case))]


async def _tried(make: Callable[[Path], Any]) -> list[Figure]:
    with tempfile.TemporaryDirectory() as name:
        async with make(Path(name)) as case:
            return await _followed(case)


async def _followed(case: Case) -> list[Figure]:
    book = Book()

    async def listen() -> None:
        async for item in case.driver:
            book.take(item)

    task = asyncio.create_task(listen())
    try:
        await _until(lambda: book.when("open", 0))
        numbers = round(HZ * (BEFORE_S + case.out_s + AFTER_S))
        await case.talk("pace_badly", numbers, HZ)
        await asyncio.sleep(BEFORE_S)
        fault_ns = mend_ns = None
        if case.fault and case.mend:
            fault_ns = await _done(case.fault)
            await asyncio.sleep(case.out_s)
            mend_ns = await _done(case.mend)
            await _until(lambda: book.when("open", book.when("lost", fault_ns) or fault_ns))
        sent = await case.talk("wait")
        await _until(lambda: time.perf_counter_ns() - book.frames[-1] > 1e9 * QUIET_S)
    finally:
        await case.driver.close()
        await task
    return [*_times(case.name, book, fault_ns, mend_ns), _account(case.name, book, sent)]


async def _done(happen: Happen) -> int:
    """Let something happen; return when it had begun (ns)."""
    begin = time.perf_counter_ns()
    await happen()
    return begin


def _times(name: str, book: Book, fault_ns: int | None, mend_ns: int | None) -> list[Figure]:
    if fault_ns is None or mend_ns is None:
        return []
    told, back = book.when("lost", fault_ns), None
    if told is not None:
        back = book.when("open", told)
    if told is None or back is None:
        raise RuntimeError(f"{name}: told {told}, back {back}")
    # Some faults are over at once, before anybody mends anything.
    over_ns = mend_ns if told < mend_ns < back else told
    return [
        Figure(f"{name}, told after", (told - fault_ns) / 1e6, "ms"),
        Figure(f"{name}, back after", (back - over_ns) / 1e6, "ms"),
    ]


def _account(name: str, book: Book, sent: int) -> Figure:
    counted = book.reader
    away = sent - book.distinct - book.gaps
    words = (
        f"{name}: {sent} numbers = {counted.records} read + {counted.missed} counted missing "
        f"+ {away} while lost; {counted.repeated} counted repeated"
    )
    wrong = abs(counted.records - book.distinct) + abs(counted.missed - book.gaps)
    wrong += abs(counted.repeated - book.repeats) + counted.bad
    return Figure(words, wrong, "wrong", aim="0", reached=wrong == 0)


async def _until(true: Callable[[], Any]) -> None:
    async with asyncio.timeout(60):
        while not true():  # noqa: ASYNC110 - told by no event
            await asyncio.sleep(0.01)


# ---- what happens


def _transport(name: str) -> Any:
    return next(t for t in TRANSPORTS if t.name == name)


def _plain(kind: str, what: str, go: str = "go", come: str = "come") -> Callable[[Path], Any]:
    @asynccontextmanager
    async def made(folder: Path) -> AsyncIterator[Case]:
        transport = _transport(kind)
        async with transport.far_end(folder) as (talk, place):
            driver = transport.driver(place, time.perf_counter_ns)
            yield Case(f"{kind}, {what}", driver, talk, lambda: talk("do", go), lambda: talk("do", come))

    return made


@asynccontextmanager
async def _udp(folder: Path) -> AsyncIterator[Case]:
    transport = _transport("udp")
    async with transport.far_end(folder) as (talk, place):
        yield Case("udp", transport.driver(place, time.perf_counter_ns), talk)


@asynccontextmanager
async def _service_dies(folder: Path) -> AsyncIterator[Case]:
    transport = _transport("ble")
    async with a_bus(folder) as address, talking("ble", address) as (talk, place):
        driver = transport.driver(place, time.perf_counter_ns)
        yield Case(
            "ble, Bluetooth service dies", driver, talk,
            lambda: talk("do", "stop"), lambda: talk("do", "start"), out_s=8.0,
        )  # fmt: skip


def _broker(what: str, **options: Any) -> Callable[[Path], Any]:
    @asynccontextmanager
    async def made(folder: Path) -> AsyncIterator[Case]:
        broker = Broker(folder)
        await broker.start()
        qos = str(options.get("qos", 0))
        given = {"host": "127.0.0.1", "port": broker.port, "topic": TOPIC, "keepalive": KEEPALIVE_S}
        driver = MqttDriver("S", MqttOptions.model_validate(given | options), time.perf_counter_ns)
        try:
            async with talking("mqtt", str(broker.port), qos) as (talk, _):
                fault, mend, out_s = _BROKER[what](broker)
                yield Case(f"mqtt QoS {qos}, {what}", driver, talk, fault, mend, out_s)
        finally:
            await broker.end(signal.SIGKILL)

    return made


def _stopped(broker: Broker) -> tuple[Happen, Happen, float]:
    return broker.end, broker.start, OUT_S


def _killed(broker: Broker) -> tuple[Happen, Happen, float]:
    return lambda: broker.end(signal.SIGKILL), broker.start, OUT_S


def _frozen(broker: Broker) -> tuple[Happen, Happen, float]:
    async def freeze() -> None:
        broker.signal(signal.SIGSTOP)

    async def go_on() -> None:
        broker.signal(signal.SIGCONT)

    return freeze, go_on, 3.0 * KEEPALIVE_S


def _taken_over(broker: Broker) -> tuple[Happen, Happen, float]:
    other = aiomqtt.Client("127.0.0.1", broker.port, identifier=CLIENT)

    async def leave() -> None:
        # By now ours has taken its name back, which ends the other.
        with suppress(aiomqtt.MqttError):
            await other.__aexit__(None, None, None)
        if other._disconnected.done():
            other._disconnected.exception()  # the library keeps it for somebody to ask

    return other.__aenter__, leave, OUT_S


_BROKER: dict[str, Callable[[Broker], tuple[Happen, Happen, float]]] = {
    "broker stopped": _stopped,
    "broker killed": _killed,
    "broker frozen": _frozen,
    "taken over": _taken_over,
}

CASES: tuple[Callable[[Path], Any], ...] = (
    _plain("serial", "unplugged"),
    _plain("tcp", "server restarted"),
    _udp,
    _broker("broker stopped"),
    _broker("broker killed", qos=1),
    _broker("broker frozen"),
    _broker("taken over", client_id=CLIENT),
    _plain("ble", "link lost", "lose"),
    _plain("ble", "head gone"),
    _service_dies,
)
