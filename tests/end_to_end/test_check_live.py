"""A rig on serial ports is looked at before the job, by somebody at a terminal and by a program."""

import asyncio
import json
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from end_to_end.workshop import SEED, needs_ptys
from livealign_simulators.parts import running_simulator
from service.processes import environment

pytestmark = [pytest.mark.real, needs_ptys]

PATIENCE_S = 40


class Check:
    """`livealign check --live` as a process; what it tells the person meanwhile can be waited for."""

    def __init__(self, process: asyncio.subprocess.Process, told: asyncio.StreamReader) -> None:
        self.process = process
        self._told = told
        self.err = ""

    async def until_told(self, words: str) -> None:
        while words not in self.err:
            some = await self._told.read(4096)
            assert some, self.err
            self.err += some.decode()

    async def end(self) -> tuple[int, str]:
        assert self.process.stdout
        out = await self.process.stdout.read()
        return await self.process.wait(), out.decode()


@asynccontextmanager
async def checking(*arguments: str, terminal: bool = False) -> AsyncIterator[Check]:
    command = (sys.executable, "-m", "livealign", "check", *arguments)
    master, slave = os.openpty()
    process = await asyncio.create_subprocess_exec(
        *command,
        stdin=slave if terminal else asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=slave if terminal else asyncio.subprocess.PIPE,
        env=environment(),
    )
    os.close(slave)
    told = process.stderr or asyncio.StreamReader()
    transport = None
    if terminal:
        transport, _ = await asyncio.get_running_loop().connect_read_pipe(
            lambda: asyncio.StreamReaderProtocol(told), os.fdopen(master, "rb", buffering=0)
        )
    else:
        os.close(master)
    try:
        async with asyncio.timeout(PATIENCE_S):
            yield Check(process, told)
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
        if transport:
            transport.close()
        process._transport.close()  # type: ignore[attr-defined]
        await asyncio.sleep(0)


async def test_a_person_turns_the_shafts_when_asked_and_nothing_is_wrong(tmp_path: Path) -> None:
    async with (
        running_simulator("serial", SEED, tmp_path) as rig,
        checking(str(rig.rig), "--live", "--seconds", "2", terminal=True) as check,
    ):
        await check.until_told("Now turn both shafts slowly by 30 deg or more, clockwise as seen from behind")
        await rig.do("turn", to_deg=150, deg_per_s=60)
        code, out = await check.end()
    assert (code, out[out.index("Wrong") :]) == (0, "Wrong\n  nothing\n"), out
    for head in ("S", "M"):
        assert f"{head}  serial, open: " in out
        assert "it counts clockwise, the rig file says clockwise" in out
    assert "100/s" in check.err


async def test_a_program_is_told_all_that_is_wrong_in_order(tmp_path: Path) -> None:
    async with running_simulator("serial", SEED, tmp_path) as rig:
        wrong = tmp_path / "wrong.toml"
        before, name, after = rig.rig.read_text(encoding="utf-8").partition('name = "head M"')
        after = after.replace("angle = {", 'angle = { sense = "counterclockwise",', 1)
        wrong.write_text(before + name + after, encoding="utf-8")
        await rig.do("corrupt", link="S", fraction=0.05)
        await rig.do("dim", link="M", on=True)
        async with checking(str(wrong), "--live", "--seconds", "3", "--turn", "--json") as check:
            await check.until_told("Reading a turn for 3 s")
            await rig.do("turn", to_deg=150, deg_per_s=60)
            code, out = await check.end()
        told = json.loads(out)
        assert code == 1
        assert told["ok"] is told["live"]["sound"] is False
        assert [(f["kind"], f["about"]) for f in told["live"]["findings"] if f["wrong"]] == [
            ("sense", "head M angle"),
            ("dim", "head M position"),
            ("bad records", "S"),
        ]
        assert (
            told["live"]["findings"][0]["advice"] == 'Write sense = "clockwise" in [heads.angle] of head M.'
        )

        await rig.do("unplug", link="S")
        async with checking(str(rig.rig), "--live", "--no-turn") as check:
            await check.until_told("Reading for 10 s")
            check.process.send_signal(signal.SIGINT)
            await check.until_told("stopped; nothing was judged")
            assert (await check.end()) == (130, "")
        assert "Traceback" not in check.err
