"""Makes the captures: simulated heads on real ports, read and recorded by `livealign run --record`, shortened to text.

python tests/corpus/make.py [NAME ...]     all of them, or some; needs mosquitto, D-Bus and bumble for the radios

What is recorded anew has other times and noise each time, so rebuild only what has to change:
python tests/corpus/run.py rebuild NAME
"""

import argparse
import asyncio
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from corpus.captures import FOLDER, Capture, from_recording, play, read, write, write_expected
from livealign.config.job import Distance
from livealign.config.load import load_rig, parse_rig
from livealign.record.reader import Recording, find_recording
from livealign.stream.contracts import LinkEvent
from livealign_simulators.catalogue import find_scenario
from livealign_simulators.mqtt_port import Broker
from livealign_simulators.port_kinds import Means, PortKind
from livealign_simulators.scenario import Scenario, ScenarioFile
from livealign_simulators.staging import play_live
from model.rigs import KINDS

TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent
EXAMPLES = ROOT / "docs" / "examples"

DELIMITED = '{ kind = "delimited", columns = ["count", "ms", "angle", "spot"] }'
CLOCK = '{ field = "ms", unit = "ms", wrap_bits = 32 }'


def two_heads(
    format_of_s: str,
    format_of_m: str = "",
    *,
    clock: str = CLOCK,
    sequence: str = "count",
    light: bool = False,
) -> str:
    """A rig file of two facing heads that speak these formats."""
    lines = ['schema = "livealign.rig/1"', 'name = "two facing heads"']
    for link, spoken in (("S", format_of_s), ("M", format_of_m or format_of_s)):
        lines += ["", "[[links]]", f'name = "{link}"', 'driver = { kind = "serial", port = "/dev/tty" }']
        lines += [f"format = {spoken}", f"clock = {clock}"]
        lines += [f'sequence = "{sequence}"', "sequence_bits = 16"] if sequence else []
    for link, shaft in (("S", "stationary"), ("M", "movable")):
        lines += ["", "[[heads]]", f'name = "head {link}"', f'shaft = "{shaft}"', f'link = "{link}"']
        lines += ['angle = { field = "angle" }', "[[heads.detectors]]", 'field = "spot"', 'unit = "um"']
        lines += ['light_field = "light"', "dim_below = 200"] if light else []
    return "\n".join(lines) + "\n"


def packed(framing: str, checksum: str = "none") -> str:
    """A packed record of two counters, an angle in hundredths, and a place in tenths of a micrometre."""
    sync = ', sync = "aa55"' if framing == "sync" else ""
    return (
        f'{{ kind = "binary", framing = "{framing}"{sync}, checksum = "{checksum}", layout = "<HIfi", '
        'columns = ["count", "ms", "angle", "spot"], scale = { spot = 0.1 } }'
    )


@dataclass(frozen=True)
class Plan:
    """One capture."""

    told: str
    """Rig, transport, what happened: the header."""
    kind: PortKind
    rig: str | Path
    """Text, or a file among the examples."""
    scenario: str = ""
    """From the library; its job, faults and timeline are taken."""
    marks: dict[str, float] = field(default_factory=lambda: {"head S": -130.0, "head M": 130.0})
    """Where the heads are, mm from the coupling."""
    timeline: tuple[dict[str, Any], ...] = ()
    """Instead of the library's."""
    faults: dict[str, Any] = field(default_factory=dict)
    seed: int = 1
    rate_hz: float = 10.0
    records_a_message: int = 1


ROTATE = ({"do": "rotate", "to_deg": 360},)


def garbled(link: str) -> tuple[dict[str, Any], ...]:
    """A rotation in which part of what one link sends is garbled."""
    return ({"do": "corrupt", "link": link, "fraction": 0.15}, *ROTATE)


PLANS: dict[str, Plan] = {
    "serial-delimited-whole-job": Plan(
        "Two light heads on serial ports, delimited text with a checksum. A whole job: found, adjusted in both planes by "
        "what the program said, and verified.",
        "serial",
        two_heads(DELIMITED.replace("]", '], checksum = "xor8"')),
        "clean-job",
        rate_hz=10.0,
    ),
    "serial-labelled-unplugged": Plan(
        "Two light heads on serial ports, labelled delimited text. A cable is pulled out in the turn and plugged in again.",
        "serial",
        two_heads('{ kind = "delimited", label_value = true, columns = ["count", "ms", "angle", "spot"] }'),
        "unplugged",
    ),
    "serial-header-garbled": Plan(
        "Two light heads on serial ports, delimited text with a header line and CRC-16. Every seventh record of head M is "
        "garbled on the way.",
        "serial",
        two_heads(
            '{ kind = "delimited", header = true, columns = ["count", "ms", "angle", "spot"], checksum = "crc16" }'
        ),
        timeline=garbled("M"),
    ),
    "serial-sentences-garbled": Plan(
        "Two light heads on serial ports that send checksummed sentences with transducer values. Some of head S are "
        "garbled.",
        "serial",
        two_heads(
            '{ kind = "sentence", fields = { angle = "XDR.ANGLE", spot = "XDR.SPOT", ms = "XDR.MS" } }',
            sequence="",
        ),
        timeline=garbled("S"),
    ),
    "serial-sync-soft-foot": Plan(
        "Two light heads on serial ports, packed records behind a sync word with CRC-16. The shafts stay parked while two "
        "bolts are loosened; one foot is soft.",
        "serial",
        two_heads(packed("sync", "crc16-ccitt")),
        "soft-foot",
        rate_hz=10.0,
    ),
    "serial-slip-loose-bracket": Plan(
        "Two light heads with askew detectors on serial ports, packed records in SLIP frames. The bracket of head M is "
        "loose; turned there and back.",
        "serial",
        two_heads(packed("slip")).replace('unit = "um"', 'unit = "um"\nmounting_deg = 45.0'),
        "loose-bracket",
        rate_hz=15.0,
    ),
    "serial-two-axes-knocked": Plan(
        "Two heads with two axes each on serial ports, delimited text with a checksum. After up and down has been adjusted "
        "a spanner hits head M.",
        "serial",
        EXAMPLES / "rig-two-axes.toml",
        "head-knocked",
        rate_hz=10.0,
    ),
    "serial-raw-counts": Plan(
        "Two heads on serial ports that send raw electrode counts, accelerometer axes and a battery's voltage, and have no "
        "clock. An ordinary rotation.",
        "serial",
        (EXAMPLES / "rig-raw-counts.toml")
        .read_text(encoding="utf-8")
        .replace("nominal_rate_hz = 100", "nominal_rate_hz = 12.5"),
        timeline=ROTATE,
        rate_hz=12.5,
    ),
    "serial-rims-sag": Plan(
        "Rim indicators on both shafts, one box on a serial port, plain delimited text. The bars bend more than the rig "
        "file says, which nothing in the readings can tell.",
        "serial",
        EXAMPLES / "rig-reverse-rim.toml",
        "bracket-sag",
        marks=KINDS["reverse rim"][1],
    ),
    "serial-rim-and-face": Plan(
        "A rim and a face indicator on one bracket, one box on a serial port. A rotation, then up and down is adjusted.",
        "serial",
        EXAMPLES / "rig-rim-and-face.toml",
        marks=KINDS["rim and face"][1],
        timeline=(
            *ROTATE,
            {"do": "adjust", "plane": "vertical"},
            {"do": "follow", "rounds": 1},
        ),
    ),
    "serial-battery-dies": Plan(
        "Two light heads with batteries on serial ports, delimited text. One battery goes low during the turn, then nothing "
        "comes although the link stays open.",
        "serial",
        two_heads(
            '{ kind = "delimited", columns = ["count", "ms", "angle", "spot", "volt"], checksum = "sum8" }'
        )
        + '[[heads.auxiliary]]\nname = "battery"\nfield = "volt"\nunit = "V"\nlow = 3.4\n',
        "dying-battery",
    ),
    "tcp-json-lines-swapped": Plan(
        "Two light heads behind TCP servers, JSON lines. The heads sit on each other's shafts: all fits and the result is "
        "wrong.",
        "tcp",
        two_heads('{ kind = "json-lines", fields = ["count", "ms", "angle", "spot"] }'),
        "swapped-heads",
    ),
    "tcp-one-head": Plan(
        "One head with two detectors behind a TCP server, nested JSON lines with microseconds, angles that grow "
        "counterclockwise. Found, then adjusted sideways.",
        "tcp",
        EXAMPLES / "rig-one-head.toml",
        timeline=(
            {"do": "rotate", "to_deg": 450},
            {"do": "adjust", "plane": "horizontal"},
            {"do": "follow", "rounds": 1},
        ),
        marks=KINDS["one light, two depths"][1],
    ),
    "tcp-senml-creeping": Plan(
        "Two light heads behind TCP servers, SenML a line. After shims were added near the coupling the machine creeps.",
        "tcp",
        two_heads(
            '{ kind = "senml", fields = { angle = "angle", spot = "spot", t = { time = "absolute" } } }',
            clock='{ field = "t", unit = "s" }',
            sequence="",
        ),
        "creeping",
        rate_hz=8.0,
    ),
    "tcp-cobs-wrong-sense": Plan(
        "Two light heads behind TCP servers, packed records in COBS frames with CRC-32. The angle of head M grows the other "
        "way than the rig file says.",
        "tcp",
        two_heads(packed("cobs", "crc32")),
        "wrong-sense",
    ),
    "tcp-mixed-restart": Plan(
        "A light head that speaks JSON lines and a rim indicator that speaks delimited text, behind TCP servers. The "
        "indicator's box restarts in the turn.",
        "tcp",
        EXAMPLES / "rig-mixed.toml",
        "device-restart",
        marks=KINDS["mixed"][1],
    ),
    "tcp-dim-light": Plan(
        "Two light heads behind TCP servers, delimited text with blanks between. The window of head M is greasy: its "
        "readings are dim and the pose stays unknown.",
        "tcp",
        two_heads(
            '{ kind = "delimited", delimiter = "whitespace", columns = ["count", "ms", "angle", "spot", "light"] }',
            light=True,
        ),
        "dim-light",
    ),
    "udp-delimited-loss": Plan(
        "Two light heads that send datagrams of one line each. One loses every tenth record and sends some twice.",
        "udp",
        two_heads(DELIMITED),
        "radio-loss",
    ),
    "udp-json-lines-fast": Plan(
        "Two light heads that send datagrams of two JSON lines each. The shafts are swung round too fast.",
        "udp",
        two_heads('{ kind = "json-lines", fields = ["count", "ms", "angle", "spot"] }'),
        "fast-turning",
        rate_hz=30.0,
        records_a_message=2,
    ),
    "udp-message-hardly-turned": Plan(
        "Two light heads that send a packed record a datagram. The rotation is ended after one degree, begun again, and "
        "turned as far as a pipe allows.",
        "udp",
        two_heads(packed("message")),
        timeline=({"do": "rotate", "to_deg": 91, "deg_per_s": 5}, {"do": "rotate", "to_deg": 150}),
    ),
    "mqtt-json-lines-backlash": Plan(
        "Two light heads that publish JSON to a broker. The coupling has three degrees of play, turned there and back.",
        "mqtt",
        two_heads('{ kind = "json-lines", fields = ["count", "ms", "angle", "spot"] }'),
        "backlash",
    ),
    "mqtt-senml-partial-arc": Plan(
        "Two light heads that publish a SenML pack a message to a broker. Only 45 degrees can be turned: undecided.",
        "mqtt",
        two_heads(
            '{ kind = "senml", framing = "message", fields = { angle = "angle", spot = "spot", '
            't = { time = "absolute" } } }',
            clock='{ field = "t", unit = "s" }',
            sequence="",
        ),
        "partial-arc",
    ),
    "mqtt-message-noisy": Plan(
        "Two light heads that publish a packed record a message to a broker. A machine next door shakes the floor.",
        "mqtt",
        two_heads(packed("message", "crc16-xmodem")),
        "noisy-neighbour",
    ),
    "ble-message-bolt-bound": Plan(
        "One head with two detectors on Bluetooth LE, a packed record a notification. The machine cannot go as far sideways "
        "as it should: its bolts are bound.",
        "ble",
        (EXAMPLES / "rig-one-head.toml")
        .read_text(encoding="utf-8")
        .replace(
            'format = { kind = "json-lines", fields = ["n", "t", "roll", "front", "back"] }',
            'format = { kind = "binary", framing = "message", layout = "<IQfhh", scale = { front = 0.0005, back = 0.0005 }, '
            'columns = ["n", "t", "roll", "front", "back"] }',
        ),
        "bolt-bound",
        rate_hz=10.0,
        marks=KINDS["one light, two depths"][1],
    ),
    "ble-delimited-leaves": Plan(
        "One head with two detectors on Bluetooth LE, delimited lines longer than a notification, which come in pieces. It "
        "goes out of reach in the turn and comes back.",
        "ble",
        (EXAMPLES / "rig-one-head.toml")
        .read_text(encoding="utf-8")
        .replace("json-lines", "delimited")
        .replace("fields = [", 'checksum = "crc16", columns = ['),
        timeline=(
            {"do": "begin rotation"},
            {"do": "turn", "to_deg": 400, "deg_per_s": 40, "wait": False},
            {"do": "wait", "s": 3},
            {"do": "unplug", "link": "wifi"},
            {"do": "wait", "s": 1.5},
            {"do": "replug", "link": "wifi"},
            {"do": "wait", "s": 4.5},
            {"do": "end rotation"},
        ),
        marks=KINDS["one light, two depths"][1],
    ),
}


def scenario_of(plan: Plan) -> Scenario:
    """The scenario with the plan's rig."""
    rig = load_rig(plan.rig) if isinstance(plan.rig, Path) else parse_rig(plan.rig, "rig.toml")
    base = find_scenario(plan.scenario or "clean-job")
    file = base.file.model_copy(update={"rate_hz": plan.rate_hz})
    if plan.timeline:
        plain = {"schema": "livealign.scenario/1", "name": "capture", "lesson": plan.told, "conclusion": {}}
        plain |= {
            "timeline": plan.timeline,
            "seed": plan.seed,
            "rate_hz": plan.rate_hz,
            "faults": plan.faults,
        }
        file = ScenarioFile.model_validate(plain)
    marks = [
        Distance.model_validate({"from": "coupling", "to": head, "length": x, "u": 0.7})
        for head, x in plan.marks.items()
    ]
    feet = [d for d in base.job.distances if not {d.start, d.end} & {"head S", "head M"}]
    return Scenario(file, base.job.model_copy(update={"distances": (*marks, *feet)}), rig)


async def made(name: str, plan: Plan, stack: AsyncExitStack) -> None:
    """Play, record and write one capture."""
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="corpus-")))
    means, environment = await _means(plan, folder, stack)
    note, recordings = folder / "note.json", folder / "recordings"
    running: list[subprocess.Popen[bytes]] = []
    ports: list[Path] = []

    def tell(first: dict[str, Any]) -> None:
        ports.append(Path(first["rig"]).parent)
        command = [sys.executable, "-m", "livealign", "run", "--job", first["job"], "--rig", first["rig"]]
        command += ["--note", str(note), "--bind", "127.0.0.1:0", "--record", str(recordings)]
        running.append(subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL))

    try:
        await play_live(
            scenario_of(plan), means, note, rate_hz=None, practice=False, tell=tell, say=lambda _: None
        )
        running[0].send_signal(signal.SIGINT)
        await asyncio.to_thread(running[0].wait)
    finally:
        for process in running:
            if process.poll() is None:
                process.kill()
    how = "Simulated heads on real ports, recorded by livealign run --record (make.py)."
    capture = from_recording(Recording(find_recording(recordings)), f"{plan.told}\n{how}")
    write(FOLDER / name, _plain(capture, str(ports[0])))
    write_expected(FOLDER / name, play(read(FOLDER / name)))


def _plain(capture: Capture, folder: str) -> Capture:
    """Leave out the names of this machine's folders."""

    def told(text: str) -> str:
        return text.replace(folder, "/dev")

    # That the ports vanish in the end belongs to the making.
    last_ns = max(e.time_ns for e in capture.events if not isinstance(e, LinkEvent))
    events = tuple(
        replace(e, detail=told(e.detail)) if isinstance(e, LinkEvent) else e
        for e in capture.events
        if e.time_ns <= last_ns
    )
    return Capture(capture.header, events, capture.job_text, told(capture.rig_text))


async def _means(plan: Plan, folder: Path, stack: AsyncExitStack) -> tuple[Means, dict[str, str]]:
    """What the ports are made of, and what the program needs in its surroundings to read them."""
    paths = [str(ROOT), str(TESTS), *(str(ROOT / p) for p in ("drivers", "tui", "simulators"))]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    broker, radios = None, ()
    if plan.kind == "mqtt":
        broker = Broker("127.0.0.1", await stack.enter_async_context(_mosquitto(folder)))
    elif plan.kind == "ble":
        address, radio = await stack.enter_async_context(_air(folder, environment))
        environment["DBUS_SYSTEM_BUS_ADDRESS"] = address
        radios = (radio,)
    return Means(plan.kind, broker, radios, plan.records_a_message), environment


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
        return port


@asynccontextmanager
async def _mosquitto(folder: Path) -> AsyncIterator[int]:
    port = _free_port()
    (folder / "mosquitto.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin") or "mosquitto"
    broker = await asyncio.create_subprocess_exec(
        program, "-c", str(folder / "mosquitto.conf"), stderr=asyncio.subprocess.DEVNULL
    )
    await asyncio.sleep(1.0)
    try:
        yield port
    finally:
        broker.terminate()
        await broker.wait()


@asynccontextmanager
async def _air(folder: Path, environment: dict[str, str]) -> AsyncIterator[tuple[str, str]]:
    """A D-Bus with a Bluetooth system on it, and a controller for one head: its address, and the radio's name."""
    from drivers.ble.conftest import BUS

    (folder / "conf").write_text(BUS.format(socket=folder / "socket"))
    bus = ["dbus-daemon", f"--config-file={folder / 'conf'}", "--nofork", "--nopidfile", "--print-address=1"]
    port, address = _free_port(), f"unix:path={folder / 'socket'}"
    program = [sys.executable, str(TESTS / "drivers" / "ble" / "virtual_radio.py"), address, str(port)]
    pipe = asyncio.subprocess.PIPE
    daemon = await asyncio.create_subprocess_exec(*bus, stdout=pipe)
    assert daemon.stdout is not None
    await daemon.stdout.readline()
    radio = await asyncio.create_subprocess_exec(*program, stdin=pipe, stdout=pipe, env=environment)
    assert radio.stdout is not None
    assert radio.stdin is not None
    await radio.stdout.readline()
    try:
        yield address, f"tcp-client:127.0.0.1:{port}"
    finally:
        radio.stdin.close()
        await radio.wait()
        daemon.terminate()
        await daemon.wait()


async def _all(names: list[str], say: Callable[[str], None]) -> None:
    for name in names:
        async with AsyncExitStack() as stack:
            await made(name, PLANS[name], stack)
        size = (FOLDER / name / "capture.txt").stat().st_size
        say(f"{name}: {size / 1000:.0f} kB")


def main() -> None:
    """Make what the command line names."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", choices=[*PLANS, []], metavar="NAME")
    told = parser.parse_args()
    asyncio.run(_all(told.names or list(PLANS), print))


if __name__ == "__main__":
    main()
