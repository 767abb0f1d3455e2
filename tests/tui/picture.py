"""Draws docs/dashboard.svg, the dashboard's picture in the README: python -m tests.tui.picture."""

import asyncio
import re
from dataclasses import replace
from pathlib import Path

from livealign.snapshot import CounterState, LinkStatus, Snapshot
from livealign_tui.app import Arrived, Dashboard
from tests.tui.jobs import measured, settling
from tests.tui.stage import NOON

__all__ = ["PICTURE", "draw"]

PICTURE = Path(__file__).parents[2] / "docs" / "dashboard.svg"


def _scene() -> list[Snapshot]:
    job = measured()
    verdict = replace(job.verdict, probability=0.64)
    links = tuple(LinkStatus(name, "open", "", 8.0, 100.0, 0.4, CounterState()) for name in ("S", "M"))
    lowered = settling(replace(job, links=links, rotation=replace(job.rotation, residuals=())))
    return [replace(snapshot, verdict=verdict) for snapshot in lowered]


async def draw() -> str:
    """Return the Adjust page at 100 x 30 while a machine settles, as SVG that fetches nothing."""
    scene = _scene()
    app = Dashboard(None, now=lambda: NOON)
    async with app.run_test(size=(100, 30)) as pilot:
        for snapshot in scene[:-1]:
            app._main._history.add(snapshot)
        app.post_message(Arrived(scene[-1]))
        await pilot.pause()
        await pilot.pause()
        svg = app.export_screenshot()
    svg = re.sub(r"@font-face\s*\{[^}]*\}\s*", "", svg)
    # Without the fetched font any fixed-width one will do.
    svg = svg.replace("font-family: Fira Code, monospace", "font-family: ui-monospace, monospace")
    return "\n".join(row.rstrip() for row in svg.strip().splitlines()) + "\n"


if __name__ == "__main__":
    PICTURE.write_text(asyncio.run(draw()), encoding="utf-8")
