"""A scenario on real ports, with the whole program reading them."""

import asyncio
import json
from pathlib import Path

import pytest

from end_to_end.workshop import needs_ptys
from livealign.client import Client
from livealign_simulators.parts import Simulator
from service.processes import running

pytestmark = pytest.mark.real


@needs_ptys
async def test_a_person_presses_the_keys_and_the_program_concludes_what_the_lesson_says(
    tmp_path: Path,
) -> None:
    note = tmp_path / "note.json"
    arguments = ("hardly-turned", "--as", "serial", "--speed", "2", "--practice", "--note", str(note))
    stage = await Simulator.start("simulator", tmp_path, "simulate", *arguments)
    try:
        await stage.introduce()
        files = ("--job", str(stage.job), "--rig", str(stage.rig))
        async with (
            running(tmp_path, *files, "--bind", "127.0.0.1:0") as service,
            Client.of(service.note) as client,
        ):
            for words, key in (("begin a rotation", "begin_rotation"), ("end the rotation", "end_rotation")):
                async with asyncio.timeout(20):
                    while f"Now: {words}." not in stage._words:  # noqa: ASYNC110 - another process
                        await asyncio.sleep(0.02)
                await client.command(key)
            assert json.loads(await stage.line()) == {"concluded": True, "unmet": []}
            snapshot = await client.snapshot()
            assert (snapshot.phase, snapshot.as_found) == ("findings", None)
            ended = str(await stage.ended())
            assert "(exit code 0)" in ended
            assert "The program concluded what the scenario says." in ended
    finally:
        await stage.stop()
