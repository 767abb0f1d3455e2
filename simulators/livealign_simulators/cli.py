"""The `simulate` command: a rig on real ports, played from a script or told what to do line by line."""

import asyncio
import contextlib
import json
import os
import shutil
import stat
import sys
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import click

from livealign.config.load import load_pair
from livealign.errors import PersonError
from livealign_simulators.actions import Action, perform, read_action, script
from livealign_simulators.bench import Bench
from livealign_simulators.port_kinds import DEFAULT_KIND, KINDS, Means, PortKind, means, port_options
from livealign_simulators.rigfile import write_rig
from livealign_simulators.scene import build_scene
from livealign_simulators.signals import cancel_on_signals
from livealign_simulators.stand import Stand

__all__ = ["simulate"]

_LONGEST_LINE = 65536
_LINES_AHEAD = 100

_EXAMPLES = """\b
Examples:
  livealign simulate
  livealign simulate --list
  livealign simulate loose-bracket
  livealign simulate loose-bracket --practice
  livealign simulate my-scenario.toml --as tcp --speed 2
  livealign simulate --as tcp --seed 7
  livealign simulate --as mqtt --broker 192.168.4.1 --broker-user rig --broker-password-file password
  livealign simulate --as ble --radio usb:0 --radio usb:1
  livealign simulate --job job.toml --rig rig.toml --rate 50
  echo '{"do": "truth"}' | livealign simulate --control
  livealign simulate --control-http          a machine in your hands, in the browser: docs/practice.md

\b
With --control, one JSON object a line on standard input; each is answered with one line when it is done. With
--control-http, the same as the body of POST /actions; GET /state?truth=1 tells how things stand:
  {"do": "turn", "to_deg": 270, "deg_per_s": 30}
  {"do": "shim", "foot": "near feet", "mm": 0.3}     positive: add; "side": "left" or "right" for one foot only
  {"do": "shift", "foot": "far feet", "mm": -0.1}    positive: toward 3 o'clock
  {"do": "wait", "s": 5}
  {"do": "turn", "to_deg": 360, "wait": false}       answered at once; so have "shim" and "shift"
  {"do": "turn", "by_deg": -30, "after": true}       begins when the turn before it has ended
  {"do": "stop"}                                     lets go of the shafts
  {"do": "truth"}
  {"do": "unplug", "link": "S"}    {"do": "replug", "link": "S"}
  {"do": "corrupt", "link": "S", "fraction": 0.01}
  {"do": "dim", "link": "S", "on": true}

\b
Bolts, and what feeler gauge and load cell would find:
  {"do": "loosen", "foot": "near feet", "side": "left"}    {"do": "tighten", "foot": "near feet"}
  {"do": "jack", "foot": "far feet", "mm": 0.2}      turns a jack screw; tight bolts hold against it
  {"do": "feet"}                                     loads in N, gaps in mm

\b
Disturbances, from now on:
  {"do": "knock", "head": "head S", "outward_mm": 0.5, "clockwise_mm": 0, "deg": 1.5}
  {"do": "loose", "head": "head S", "mm": 0.1}       falls over as the shaft turns; 0: tight again
  {"do": "cable", "head": "head S", "from_deg": 100, "to_deg": 180, "outward_mm": 0.05}     0: slack again
  {"do": "light", "head": "head S", "brightness": 0.5, "background": 0.2}     brightness 0: interrupted
  {"do": "warm", "foot": "near feet", "by_k": 20, "height_mm": 250, "time_constant_s": 600}
  {"do": "vibrate", "hz": 24.7, "y_mm": 0.003, "z_mm": 0.01}     0: still
  {"do": "restart", "link": "S"}                     its counters begin again
  {"do": "radio", "link": "S", "loss": 0.1, "run": 3, "jitter_s": 0.05, "duplicates": 0.01, "disconnected": false}
"""


@click.command(epilog=_EXAMPLES)
@click.argument("scenario", required=False)
@click.option(
    "--list", "list_them", is_flag=True, help="List the scenarios that are shipped, and what each teaches."
)
@click.option(
    "--speed",
    type=click.FloatRange(0.1, 10),
    default=1.0,
    show_default=True,
    help="Scenario: everything that is done and that comes slowly, so many times as fast.",
)
@click.option(
    "--practice", is_flag=True, help="Scenario: you press the keys of the program, and are waited for."
)
@click.option(
    "--note",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Scenario: where the service says where it is.  [as livealign run]",
)
@click.option("--job", type=click.Path(path_type=Path), help="Job file; without it, the built-in demo.")
@click.option(
    "--rig", type=click.Path(path_type=Path), help="Rig file; its formats are spoken, its drivers replaced."
)
@click.option(
    "--as",
    "kind",
    type=click.Choice(KINDS),
    default=DEFAULT_KIND,
    show_default=True,
    help="What the devices appear as.",
)
@port_options
@click.option(
    "--records-a-message",
    type=click.IntRange(1, 100),
    default=1,
    show_default=True,
    metavar="N",
    help="Most records in a datagram, message or notification.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    help="Same seed, same machine.  [1, or the scenario's]",
)
@click.option(
    "--rate",
    type=click.FloatRange(1, 2000),
    metavar="HZ",
    help="Records a second.  [100, or the scenario's]",
)
@click.option("--control", is_flag=True, help="Do what standard input says instead of the built-in script.")
@click.option(
    "--control-http",
    type=click.IntRange(0, 65535),
    is_flag=False,
    flag_value=0,
    metavar="[PORT]",
    help="Practice stand: do what a page with buttons, or a program, says over HTTP on this computer.",
)
def simulate(
    *,
    scenario: str | None,
    list_them: bool,
    speed: float,
    practice: bool,
    note: Path | None,
    job: Path | None,
    rig: Path | None,
    kind: PortKind,
    broker: str | None,
    broker_user: str | None,
    broker_password_file: Path | None,
    radios: tuple[str, ...],
    records_a_message: int,
    seed: int | None,
    rate: float | None,
    control: bool,
    control_http: int | None,
) -> None:
    """Play a scripted job, or a SCENARIO, as a rig on real ports.

    A SCENARIO is a name from --list or a file of your own (docs/scenarios.md). It waits for a `livealign run` that reads
    the rig, is played once, and ends with exit code 1 if the program did not conclude what the scenario says.

    The first line on standard output is JSON: the ports, the job file, and a rig file with these ports.
    Runs until Ctrl-C, or until standard input ends.
    """
    if list_them:
        _list()
        return
    if scenario is not None and (job or rig or control or control_http is not None):
        raise click.UsageError(
            "A scenario has a job, a rig and a timeline of its own: leave out --job, --rig, --control and "
            "--control-http."
        )
    if scenario is None and (practice or note or speed != 1.0):
        raise click.UsageError("--speed, --practice and --note are for a scenario: name one.")
    if (job is None) != (rig is None):
        raise click.UsageError("--job and --rig go together: give both or neither.")
    made_of = means(
        kind,
        broker=broker,
        user=broker_user,
        password_file=broker_password_file,
        radios=radios,
        records_a_message=records_a_message,
    )
    unmet: list[str] = []
    try:
        if scenario is not None:
            unmet = _scenario(scenario, made_of, note, seed, rate, speed=speed, practice=practice)
        else:
            by = _Control(control, control_http)
            asyncio.run(_simulate(job, rig, made_of, 1 if seed is None else seed, rate or 100.0, control=by))
    except (KeyboardInterrupt, asyncio.CancelledError):
        pass  # a quiet end is what was asked for
    except BrokenPipeError:
        # Whoever listened has gone; without this, closing standard output would complain again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if unmet:
        click.get_current_context().exit(1)


def _list() -> None:
    from livealign_simulators.catalogue import find_scenario, scenario_names  # noqa: PLC0415 - only here and below

    for name in scenario_names():
        click.echo(f"{name:18} {find_scenario(name).title}")


def _scenario(
    name: str,
    made_of: Means,
    note: Path | None,
    seed: int | None,
    rate: float | None,
    *,
    speed: float,
    practice: bool,
) -> list[str]:
    """Play a scenario; return what was not concluded as it says."""
    from livealign.paths import default_note_path  # noqa: PLC0415
    from livealign_simulators.catalogue import find_scenario  # noqa: PLC0415
    from livealign_simulators.scenario import hastened  # noqa: PLC0415
    from livealign_simulators.staging import play_live  # noqa: PLC0415

    scenario = hastened(find_scenario(name), speed).seeded(seed)

    async def play() -> list[str]:
        cancel_on_signals()
        return await play_live(
            scenario,
            made_of,
            note or default_note_path(),
            rate_hz=rate,
            practice=practice,
            tell=_tell,
            say=lambda words: click.echo(words, err=True),
        )

    unmet = asyncio.run(play())
    _tell({"concluded": not unmet, "unmet": unmet})
    for line in unmet or ["The program concluded what the scenario says."]:
        click.echo(line, err=True)
    return unmet


class _Control(NamedTuple):
    """Who says what is done; nobody: the built-in script."""

    lines: bool
    http_port: int | None


async def _simulate(
    job: Path | None, rig: Path | None, made_of: Means, seed: int, rate: float, *, control: _Control
) -> None:
    cancel_on_signals()
    async with contextlib.AsyncExitStack() as stack:
        if job is None or rig is None:
            data = resources.files("livealign_simulators") / "data"
            job = stack.enter_context(resources.as_file(data / "demo-job.toml"))
            rig = stack.enter_context(resources.as_file(data / "demo-rig.toml"))
        scene = build_scene(*load_pair(job, rig), seed)
        bench = await stack.enter_async_context(Bench(scene, made_of, rate))
        stand = Stand(bench)
        job_path, rig_path = bench.folder / "job.toml", bench.folder / "rig.toml"
        shutil.copyfile(job, job_path)
        write_rig(scene.rig, bench.addresses, rig_path)
        first = {"links": bench.addresses, "job": str(job_path), "rig": str(rig_path)}
        words = [f"Read it with: livealign run --job {job_path} --rig {rig_path}"]
        if control.http_port is not None:
            from livealign_simulators.stand_server import open_stand  # noqa: PLC0415 - not needed otherwise

            access = await stack.enter_async_context(open_stand(stand, control.http_port))
            first["control"] = access.told()
            words.append(f"Simulated machine, by hand: {access.page}")
            words.append(f"With keys in the dashboard: livealign watch --practice '{access.page}'")
        _tell(first)
        if sys.stderr.isatty():
            click.echo("\n".join([*words, "Ctrl-C ends it."]), err=True)
        if control.lines:
            await _obey(stand)
        else:
            await _play(bench, script(bench) if control.http_port is None else [])


async def _obey(stand: Stand) -> None:
    async for line in _standard_input():
        if not line.strip():
            continue
        try:
            _tell(await stand.act(read_action(line)))
        except PersonError as e:
            _tell({"error": e.what, "advice": e.advice})


async def _play(bench: Bench, actions: Sequence[Action]) -> None:
    async def whole_script() -> None:
        for action in actions:
            _tell(await perform(bench, action))
        while True:
            await bench.wait_until(bench.now() + 3600)

    player = asyncio.create_task(whole_script())
    waiting = {player}
    if _input_can_end():
        waiting.add(asyncio.create_task(_until_input_ends()))
    try:
        done, _ = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in waiting:
            task.cancel()
        await asyncio.gather(*waiting, return_exceptions=True)


def _input_can_end() -> bool:
    """Tell whether the end of standard input means that somebody has gone: true for a pipe, not /dev/null."""
    try:
        mode = os.fstat(0).st_mode
    except OSError:
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)


async def _until_input_ends() -> None:
    async for _ in _standard_input():
        pass


async def _standard_input() -> AsyncIterator[bytes]:
    """Yield the lines of standard input until it ends.

    A daemon thread reads the bare descriptor: that works on every platform, for pipes and files alike, and a
    thread that still waits does not hold up the end of the process.
    """
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[bytes | None] = asyncio.Queue()
    room = threading.Semaphore(_LINES_AHEAD)

    def put(line: bytes | None) -> None:
        room.acquire()
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(lines.put_nowait, line)

    threading.Thread(target=_read_lines, args=(put,), name="standard input", daemon=True).start()
    while (line := await lines.get()) is not None:
        room.release()
        yield line


def _read_lines(put: Callable[[bytes | None], None]) -> None:
    rest = b""
    while True:
        try:
            chunk = os.read(0, 4096)
        except OSError:
            chunk = b""
        *whole, rest = (rest + chunk).split(b"\n")
        for line in whole:
            put(line)
        if not chunk or len(rest) > _LONGEST_LINE:
            put(rest)
            put(None)
            return


def _tell(answer: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()
