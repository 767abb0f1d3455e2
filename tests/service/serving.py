"""A real service in this process: a daemon, its API on a free port, drivers that the test holds."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from livealign.config.load import parse_pair
from livealign.paths import ServiceNote
from livealign.service.daemon import Daemon, session_clock
from livealign.service.server import listen, serve
from livealign.session.engine import Session
from livealign.stream.contracts import Options
from service.rigs import JOB_TEXT, rig_text
from service.stubs import TestDriver

TOKEN = "only-for-this-test"


@dataclass
class Service:
    note: ServiceNote
    daemon: Daemon
    drivers: dict[str, TestDriver]
    note_path: Path

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {TOKEN}"}

    @property
    def stream_url(self) -> str:
        return f"ws{self.note.url.removeprefix('http')}/api/stream"


@asynccontextmanager
async def serving(folder: Path) -> AsyncIterator[Service]:
    clock = session_clock()
    drivers = {link: TestDriver(link, Options(), clock) for link in ("S", "M")}
    session = Session(*parse_pair(JOB_TEXT, rig_text(), "job", "rig"))
    daemon = Daemon(session, drivers, clock, say=lambda _words: None)
    ready: asyncio.Future[ServiceNote] = asyncio.get_running_loop().create_future()
    note_path = folder / "run" / "service.json"
    task = asyncio.create_task(
        serve(daemon, listen(("127.0.0.1", 0)), token=TOKEN, note=note_path, ready=ready.set_result)
    )
    try:
        async with asyncio.timeout(10):
            yield_note = await ready
        yield Service(yield_note, daemon, drivers, note_path)
    finally:
        daemon.stop()
        async with asyncio.timeout(10):
            await task
