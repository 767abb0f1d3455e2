"""A short recorded session: a simulated machine is turned, then a link is lost for a moment."""

import asyncio
from pathlib import Path

from livealign.config.load import parse_pair
from livealign.record.writer import Recorder
from livealign.session.engine import Session
from livealign.session.events import Command, CommandName, Event, Tick
from livealign.snapshot import encode
from livealign_simulators.scene import build_scene
from livealign_simulators.virtual_bench import VirtualBench

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
START_NS = 1_772_000_000_000_000_000
SNAPSHOTS_PER_S = 10.0


def record(path: Path, *, seed: int = 7, records_per_s: float = 50.0) -> list[bytes]:
    """Write the recording; return its snapshots.

    A rotation from 0.3 s to 3.1 s, link M lost from 3.3 s to 3.6 s, a note at 3.8 s, the end at 4 s.
    """
    job_text, rig_text = ((EXAMPLES / f"{x}.toml").read_text(encoding="utf-8") for x in ("job", "rig"))
    job, rig = parse_pair(job_text, rig_text, "job", "rig")
    session = Session(job, rig, snapshots_per_s=SNAPSHOTS_PER_S)
    snapshots: list[bytes] = []
    with Recorder(
        path,
        start_unix_ns=START_NS,
        job_text=job_text,
        rig_text=rig_text,
        snapshots_per_s=SNAPSHOTS_PER_S,
    ) as recorder:

        def feed(event: Event) -> None:
            recorder.event(event)
            snapshot = session.feed(event)
            if snapshot is not None:
                snapshots.append(encode(snapshot))
                recorder.snapshot(snapshots[-1], event.time_ns)

        async def play() -> None:
            bench = VirtualBench(
                build_scene(job, rig, seed), records_per_s, feed, lambda now_ns: feed(Tick(now_ns))
            )

            def ask(name: CommandName, text: str = "") -> None:
                feed(Command(name, bench.now_ns(), text=text))

            await bench.wait_until(0.3)
            ask("begin_rotation")
            bench.scene.mechanic.turn(360, 100, bench.now())
            await bench.wait_until(3.1)
            ask("end_rotation")
            await bench.wait_until(3.3)
            await bench.port("M").unplug()
            await bench.wait_until(3.6)
            await bench.port("M").plug()
            await bench.wait_until(3.8)
            ask("note", "all bolts tight")
            await bench.wait_until(4.0)

        asyncio.run(play())
    return snapshots
