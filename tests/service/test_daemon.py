"""The daemon: one consumer for links, time and commands; what fails is said and everything is closed."""

import asyncio
import os
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NoReturn

import pytest

from livealign.config.load import parse_pair
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.record.replay import verify
from livealign.record.writer import Recorder
from livealign.service.daemon import Daemon, RefusedError, session_clock
from livealign.service.inbox import LIMIT
from livealign.session.engine import Session
from livealign.session.events import Event
from livealign.snapshot import Snapshot, decode
from livealign.stream.contracts import Options
from livealign_drivers.file import FileDriver, FileOptions
from service.rigs import JOB_TEXT, Head, rig_text
from service.stubs import TestDriver


def _session() -> Session:
    return Session(*parse_pair(JOB_TEXT, rig_text(), "job", "rig"))


def _recorder(path: Path) -> Recorder:
    return Recorder(path, start_unix_ns=10**18, job_text=JOB_TEXT, rig_text=rig_text(), snapshots_per_s=50.0)


class Bench:
    """A daemon that runs, its two drivers, and what it has said."""

    def __init__(self, session: Any = None, recorder: Recorder | None = None) -> None:
        self.said: list[str] = []
        clock = session_clock()
        self.drivers = {link: TestDriver(link, Options(), clock) for link in ("S", "M")}
        self.daemon = Daemon(
            session or _session(), self.drivers, clock, say=self.said.append, recorder=recorder
        )

    def latest(self) -> Snapshot:
        return decode(self.daemon.hub.latest or b"")

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(10):
            while not condition():  # noqa: ASYNC110
                await asyncio.sleep(0.01)


@asynccontextmanager
async def _running(bench: Bench) -> AsyncIterator[Bench]:
    running = asyncio.create_task(bench.daemon.run())
    try:
        await bench.until(lambda: bench.daemon.hub.latest is not None)
        yield bench
    finally:
        bench.daemon.stop()
        async with asyncio.timeout(10):
            await running


async def test_what_links_bring_comes_out_as_snapshots_and_the_links_are_closed() -> None:
    async with _running(Bench()) as bench:
        for link, driver in bench.drivers.items():
            driver.open()
            driver.send(Head(link).lines(10))
        await bench.until(lambda: [x.counters.records for x in bench.latest().links] == [10, 10])
        assert sorted(bench.said) == ["link M: open", "link S: open"]
    assert all(driver.closed for driver in bench.drivers.values())


async def test_time_passes_without_data() -> None:
    async with _running(Bench()) as bench:
        before = bench.daemon.hub.published
        await bench.until(lambda: bench.daemon.hub.published > before + 1)


async def test_commands_are_obeyed_in_order_or_refused_in_words() -> None:
    async with _running(Bench()) as bench:
        with pytest.raises(RefusedError, match="no rotation is being read"):
            await bench.daemon.command("end_rotation")
        await bench.daemon.command("begin_rotation")
        with pytest.raises(RefusedError, match="already"):
            await bench.daemon.command("begin_rotation")
        await bench.daemon.command("note", text="coupling guard off")
        await bench.until(lambda: bench.latest().notes == ("coupling guard off",))
        assert bench.latest().phase == "rotation"
    with pytest.raises(RefusedError, match="stopping"):
        await bench.daemon.command("end_rotation")


async def test_a_driver_that_fails_takes_no_other_with_it() -> None:
    async with _running(Bench()) as bench:
        bench.drivers["M"].open()
        bench.drivers["S"].fail(RuntimeError("bits fell out"))
        await bench.until(lambda: bench.latest().links[0].state == "refused")
        assert "bits fell out" in bench.latest().links[0].detail
        assert any("bits fell out" in words for words in bench.said)
        bench.drivers["M"].send(Head("M").lines(3))
        await bench.until(lambda: bench.latest().links[1].counters.records == 3)


class _Failing:
    """A session with a fault in it."""

    due_ns = None

    def __init__(self) -> None:
        self._whole = _session()

    def feed(self, event: Event) -> Snapshot | None:
        if type(event).__name__ == "Frame":
            raise ZeroDivisionError("a fault")
        return self._whole.feed(event)


async def test_a_fault_in_the_session_ends_the_run_with_everything_closed(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    bench = Bench(_Failing(), _recorder(path))
    running = asyncio.create_task(bench.daemon.run())
    bench.drivers["S"].send(b"1")
    async with asyncio.timeout(10):
        with pytest.raises(ZeroDivisionError):
            await running
    assert all(driver.closed for driver in bench.drivers.values())
    recording = Recording(path)
    assert [type(x).__name__ for x in recording.items()][-1] == "Frame", "what caused it is in the record"
    assert recording.torn is None


async def test_a_recording_gives_the_same_snapshots_again_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    async with _running(Bench(recorder=_recorder(path))) as bench:
        heads = {link: Head(link) for link in bench.drivers}
        for driver in bench.drivers.values():
            driver.open()
        await bench.daemon.command("begin_rotation")
        for _ in range(25):
            for link, driver in bench.drivers.items():
                driver.send(heads[link].lines(24))
            await asyncio.sleep(0.01)
        await bench.until(lambda: sum(x.counters.records for x in bench.latest().links) == 1200)
        await bench.daemon.command("end_rotation")
        await bench.daemon.command("adjust", plane="vertical")
        await asyncio.sleep(0.3)
        assert bench.latest().pose.vertical.offset_mm is not None
    recording = Recording(path)
    published = [x.encoded for x in recording.items() if isinstance(x, RecordedSnapshot)]
    assert len(published) == bench.daemon.hub.published
    assert published[-1] == bench.daemon.hub.latest
    result = verify(_session(), recording)
    assert (result.difference, result.compared) == (None, len(published))
    assert bench.daemon.health()["recording"]["state"] == "finished"


async def test_a_file_is_read_to_its_end_without_losing_a_frame(tmp_path: Path) -> None:
    path = tmp_path / "s.bin"
    path.write_bytes(Head("S").lines(4000))
    clock = session_clock()
    driver = FileDriver("S", FileOptions(path=path, chunk_bytes=32), clock)
    daemon = Daemon(_session(), {"S": driver}, clock, say=lambda _: None, patient=frozenset({"S"}))
    running = asyncio.create_task(daemon.run())
    async with asyncio.timeout(60):
        while daemon.hub.latest is None or decode(daemon.hub.latest).links[0].state != "ended":  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        link = decode(daemon.hub.latest).links[0]
        daemon.stop()
        await running
    assert link.counters.frames > LIMIT, "more than can wait at once"
    assert (link.counters.records, link.counters.dropped) == (4000, 0)


@pytest.fixture
def recorder_on_a_full_disk(tmp_path: Path, missing: Callable[[str], NoReturn]) -> Iterator[Recorder]:
    full = Path("/dev/full")
    if not full.exists():
        missing("there is no /dev/full here")
    recorder = _recorder(tmp_path / "r.mcap")
    with full.open("wb", buffering=0) as nowhere:
        os.dup2(nowhere.fileno(), recorder._file.fileno())
    yield recorder
    recorder.abandon()


async def test_a_full_disk_ends_the_recording_and_not_the_work(recorder_on_a_full_disk: Recorder) -> None:
    async with _running(Bench(recorder=recorder_on_a_full_disk)) as bench:
        await bench.until(lambda: any("has ended early" in words for words in bench.said))
        before = bench.daemon.hub.published
        await bench.until(lambda: bench.daemon.hub.published > before)
        assert bench.daemon.health()["recording"]["state"].startswith("failed")
