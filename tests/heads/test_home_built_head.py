"""The home-built head's program runs on MicroPython, and its lines come through livealign as millimetres and degrees."""

import importlib.util
import json
import random
import re
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any, NoReturn

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import example, given, settings
from hypothesis import strategies as st

from heads import micropython
from livealign.cli import main
from livealign.config.load import load_rig, parse_rig
from livealign.session.wiring import Wiring, wire

HEAD = Path(__file__).parents[2] / "docs" / "examples" / "home-built-head"
RIG = HEAD / "rig.toml"
COLUMNS = ("count", "ms", "ax", "ay", "plus", "minus", "battery", "temperature")
FILLED: dict[str, Any] = {
    "I2C_BUS": 0, "I2C_SCL": 5, "I2C_SDA": 4,
    "ACCEL_ADDRESS": 0x19, "ACCEL_SETUP": [[0x20, 0x67], [0x23, 0x80]], "ACCEL_DATA": 0xA8, "ACCEL_LENGTH": 6,
    "ACCEL_PLACES": [0, 2], "ACCEL_WIDTH": 2, "ACCEL_HIGH_FIRST": False, "ACCEL_SHIFT": 2,
    "ELECTRODE_PLUS": 26, "ELECTRODE_MINUS": 27, "BATTERY": 28, "TEMPERATURE": 29,
    "UART_BUS": 1, "WATCHDOG_MS": 2000, "PERIOD_MS": 1,
}  # fmt: skip
EDGES = (None, 0, 9, 10, -1, -10, 65535, 2**30 - 1, 2**30, -(2**31), 2**32 - 1, -(2**32) + 1, 2**32, -(2**40))


def module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"head_{name}", HEAD / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


line = module("line")


def encoded(*cells: int | None) -> bytes:
    return bytes(line.LineEncoder(len(cells)).encode(cells))


def wired() -> Wiring:
    return wire(load_rig(RIG))


def samples() -> list[list[int | None]]:
    draw = random.Random(20)
    return [
        [draw.choice(EDGES) if draw.random() < 0.3 else draw.randint(-(2**draw.randint(1, 32)), 2**31) for _ in COLUMNS]
        for _ in range(400)
    ]  # fmt: skip


@dataclass(frozen=True)
class Seen:
    """What a line of the head is made under, and what the rig is to make of it."""

    axes: tuple[int, int, int]
    plus: int | list[int]
    minus: int
    deg: float | None
    mm: float
    more: dict[str, Any]


# By hand. 14 bits: 4096 counts for 1 g here, so the sums are a quarter of those in the rig file, which the angle does
# not see. Electrodes: dark 120, light L on both; at x of 10 mm between them plus has L (1/2 + x / 10), minus the rest.
SEEN = [
    Seen((4096, 0, 3), 20120, 20120, 0.0, 0.0, {}),
    Seen(
        (3547, -2048, 3), 28120, 12120, 30.0, 2.0, {}
    ),  # 4096 cos 30 deg = 3547.2; L = 40000, 0.7 and 0.3 of it
    Seen((0, -4096, 3), 12120, 28120, 90.0, -2.0, {}),
    Seen((-4096, 0, 3), 4120, 16120, 180.0, -3.0, {}),  # half the light: 0.2 and 0.8 of 20000
    Seen((0, 4096, 3), 26120, 14120, 270.0, 1.5, {}),
    Seen((0, 4096, 3), 26120, 14120, None, 1.5, {"good_reads": 5}),  # a wire comes off after 5 of 16 readings
    Seen((-4096, 0, 3), 26120, 14120, 180.0, 1.5, {}),
    Seen((8191, 0, 3), 26120, 14120, None, 1.5, {}),  # a knock: the accelerometer at its end
    Seen(
        (2048, 3547, 3), [30000, 65200, 30000], 20120, 300.0, np.inf, {}
    ),  # now and then at the converter's end
    Seen((2048, 3547, 3), 24120, 16120, 300.0, 1.0, {}),
]
LISTENING = len(SEEN)
# Then the computer does not take all, three lines long: part of a line, nothing, the rest of the line.
SCENES = [
    *(
        {"axes": s.axes, "adc": {"26": s.plus, "27": s.minus, "28": 40000, "29": 14895}, **s.more}
        for s in SEEN
    ),
    *(
        {"axes": (4096, 0, 3), "adc": {"26": 20120, "27": 20120, "28": 40000, "29": 14895}, "room": room}
        for room in (20, 0, 5, 128, 128)
    ),
]


@pytest.fixture(scope="module")
def on_micropython() -> dict[str, Any] | None:
    """What the head's program made on MicroPython, in one run; None if that is not installed."""
    if micropython.node() is None or micropython.installed() != micropython.wanted():
        return None
    here = micropython.HERE
    files = {
        f"{name}.py": (HEAD / f"{name}.py").read_text(encoding="utf-8")
        for name in ("line", "main", "settings")
    }
    files |= {
        "machine.py": (here / "board_machine.py").read_text(encoding="utf-8"),
        "board_program.py": (here / "board_program.py").read_text(encoding="utf-8"),
        "samples.json": json.dumps(samples()),
        "scenes.json": json.dumps(SCENES),
        "filled.json": json.dumps(FILLED),
    }
    usb, printed = micropython.run(files, "board_program.py").splitlines()
    told: dict[str, Any] = {"usb": usb, **json.loads(printed)}
    told["not_filled_in"] = micropython.run(files, "main.py")
    return told


@pytest.fixture
def board(on_micropython: dict[str, Any] | None, missing: Callable[[str], NoReturn]) -> dict[str, Any]:
    if on_micropython is None:
        missing("MicroPython; run: python tests/heads/micropython.py (needs the network once)")
    return on_micropython


def test_the_rig_file_is_sound_and_raises_no_doubt() -> None:
    result = CliRunner().invoke(main, ["check", str(RIG), str(HEAD.parent / "job.toml")])
    assert result.exit_code == 0, result.output
    assert result.output.endswith("Doubts\n  none\n")


def test_the_guide_names_what_there_is() -> None:
    guide = HEAD.parents[1] / "home-built-heads.md"
    for page in (guide, HEAD / "README.md"):
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#]+)[^)]*\)", text):
            assert (page.parent / target).is_file(), target
        for name in re.findall(r"`([A-Z][A-Z0-9]*_[A-Z_0-9]+)", text):
            assert name in FILLED or hasattr(module("settings"), name), name
    drivers = re.findall(r"`(driver = \{ [^.][^`]* \})`", guide.read_text(encoding="utf-8"))
    drivers = [d for d in drivers if "..." not in d]
    assert len(drivers) == 3
    for driver in drivers:
        other = re.sub(r"^driver = .*$", driver, RIG.read_text(encoding="utf-8"), count=1, flags=re.MULTILINE)
        assert parse_rig(other, "guide").links[0].driver.kind in driver


def test_the_line_in_the_readme_is_one_of_these() -> None:
    text = (HEAD / "README.md").read_text(encoding="utf-8")
    shown = next(row.strip() for row in text.splitlines() if row.startswith("    17,"))
    assert encoded(17, 850, 227023, -131072, 449920, 193920, 40000, 14895) == shown.encode() + b"\n"
    batch = wired().readers["S"].read(shown.encode() + b"\n", 1.0)
    assert batch is not None
    assert (round(batch.columns["angle"][0], 2), round(batch.columns["spot"][0], 3)) == (30.0, 2.0)


def test_micropython_and_python_make_the_same_lines_and_livealign_reads_them_back(
    board: dict[str, Any],
) -> None:
    made = [text.encode() for text in board["lines"]]
    assert made == [encoded(*cells) for cells in samples()]
    reader = wired().readers["S"]
    decoded = reader._decoder.decode(b"".join(made))
    assert (decoded.count, decoded.bad) == (len(made), 0)
    expected = [[np.nan if v is None or abs(v) >= 2**32 else v for v in cells] for cells in samples()]
    found = np.stack([decoded.columns[name] for name in COLUMNS], axis=1)
    np.testing.assert_array_equal(found, expected)


def test_counter_and_clock_go_on_past_their_ends(board: dict[str, Any]) -> None:
    made = [text.split(",")[:2] for text in board["wrapping"]]
    assert [int(count) for count, _ in made] == [65534, 65535, 0, 1, 2, 3]
    assert [int(ms) for _, ms in made] == [2**32 - 70, 2**32 - 20, 30, 80, 130, 180]
    reader = wired().readers["S"]
    batch = reader.read("".join(board["wrapping"]).encode(), 100.0)
    assert batch is not None
    assert (reader.records, reader.missed, reader.repeated, reader.bad) == (6, 0, 0, 0)
    np.testing.assert_allclose(np.diff(batch.time_s), 0.05, atol=1e-6)


def test_a_line_goes_out_by_usb(board: dict[str, Any]) -> None:
    assert board["usb"].encode() + b"\n" == encoded(1, 2, 3, None)


def test_a_new_board_says_what_to_fill_in_and_livealign_takes_that_for_no_reading(
    board: dict[str, Any],
) -> None:
    told = board["not_filled_in"]
    assert told.startswith("# fill in settings.py: ACCEL_ADDRESS, ACCEL_DATA, ")
    assert "BATTERY" not in told
    reader = wired().readers["S"]
    assert reader.read(encoded(*range(8)) + told.encode(), 1.0) is not None
    assert (reader.records, reader.bad) == (1, 0)


def test_a_line_costs_the_board_next_to_no_memory(board: dict[str, Any]) -> None:
    assert 0 < board["heap"] <= 400  # bytes: at 20 lines a second a small board tidies up every half minute


def test_what_the_head_sees_comes_out_in_degrees_and_millimetres(board: dict[str, Any]) -> None:
    assert len(board["unfilled"]) == 13
    assert board["left_to_fill"] == []
    # Set up at the start, and again after the wire was off.
    assert [tuple(w) for w in board["set_up"]] == [
        (k, r, v) for k in (0, 6) for r, v in FILLED["ACCEL_SETUP"]
    ]
    assert board["fed"] == len(SCENES)
    wiring = wired()
    batch = wiring.readers["S"].read(board["sent"].encode(), 10.0)
    assert batch is not None
    angle, position = wiring.angles[0], wiring.positions[0]
    deg = np.degrees(angle.channel.take(batch.time_s, batch.columns[angle.field], 10.0))
    m, good = position.channel.take(
        batch.time_s, batch.columns[position.field], batch.columns[position.light_field or ""], 10.0
    )
    wanted_deg = [np.nan if s.deg is None else s.deg for s in SEEN]
    np.testing.assert_allclose(np.mod(deg[:LISTENING], 360.0), wanted_deg, atol=0.01)
    np.testing.assert_allclose(1e3 * m[:LISTENING], [s.mm for s in SEEN], atol=1e-9)
    assert not good[8]
    assert "clipped" in position.channel.flags(10.0, still_since_s=np.inf)
    volts, celsius = (a.channel for a in wiring.auxiliary[:2])
    volts.take(batch.columns["battery"], 10.0)
    celsius.take(batch.columns["temperature"], 10.0)
    assert volts.value == pytest.approx(2 * 3.3 * 40000 / 65535, abs=0.001)
    assert celsius.value == pytest.approx((3300 * 14895 / 65535 - 500) / 10, abs=0.01)


def test_the_other_head_looks_the_other_way(board: dict[str, Any]) -> None:
    batch = wired().readers["M"].read(board["sent"].encode(), 10.0)
    assert batch is not None
    assert np.mod(batch.columns["angle"][:5], 360.0) == pytest.approx(
        [0.0, 330.0, 270.0, 180.0, 90.0], abs=0.01
    )


def test_a_computer_that_does_not_listen_costs_whole_lines_and_stops_nothing(board: dict[str, Any]) -> None:
    reader = wired().readers["S"]
    batch = reader.read(board["sent"].encode(), 10.0)
    assert batch is not None
    # 20 bytes of one line went; the next two found it unfinished; once there was room it was ended and the next sent.
    kept = [*range(LISTENING + 1), LISTENING + 3, LISTENING + 4]
    assert batch.columns["count"].tolist() == kept
    assert (reader.bad, reader.missed) == (0, 2)


@settings(max_examples=40)
@given(st.lists(st.integers(0, 40), max_size=30))
def test_however_little_an_outlet_takes_only_whole_lines_go_out(room: list[int]) -> None:
    sent = bytearray()
    rooms = iter(room)

    def write(data: memoryview) -> int | None:
        taken = min(next(rooms, 128), len(data))
        sent.extend(data[:taken])
        return taken or None

    sender = line.Sender(write, 128)
    for count in range(41):
        sender.send(encoded(count, 50 * count, -262144))
    got = bytes(sent).splitlines(keepends=True)
    numbers = [int(one.split(b",")[0]) for one in got]
    assert got == [encoded(k, 50 * k, -262144) for k in numbers]
    assert numbers == sorted(set(numbers))
    assert (len(got) + sender.dropped, numbers[-1]) == (41, 40)


def test_no_flipped_bit_makes_a_wrong_number() -> None:
    rows = {k: (k, 50 * k, -262144, 17, 448000, 192000, 40000, 9000) for k in (7, 8, 9)}
    before, true, after = (encoded(*row) for row in rows.values())
    decoder = wired().readers["S"]._decoder
    lost = 0
    for at in range(len(true)):
        for bit in range(8):
            flipped = bytearray(true)
            flipped[at] ^= 1 << bit
            decoded = decoder.decode(before + bytes(flipped) + after)
            read = [tuple(float(decoded.columns[c][k]) for c in COLUMNS) for k in range(decoded.count)]
            assert read[0] == rows[7]
            assert set(read) <= set(rows.values())
            lost += rows[8] not in read
            # A capital digit of the checksum that became a small one is still that digit.
            assert rows[8] not in read or bytes(flipped).upper() == true
    assert lost >= 8 * len(true) - 4


def test_the_checksum_is_the_one_of_the_public_catalogues() -> None:
    assert line.crc16(b"123456789", 9) == 0x31C3


@settings(max_examples=40)
@given(raw=st.integers(0, 2**24 - 1), high_first=st.booleans(), width=st.integers(2, 3))
@example(raw=0x8000, high_first=False, width=2)
@example(raw=0x7FFF, high_first=True, width=2)
def test_registers_hold_numbers_with_a_sign(raw: int, high_first: bool, width: int) -> None:
    raw &= 256**width - 1
    data = b"\x55" + raw.to_bytes(width, "big" if high_first else "little")
    expected = int.from_bytes(data[1:], "big" if high_first else "little", signed=True)
    assert line.signed(data, 1, width, high_first) == expected


def test_over_the_network_each_line_is_a_datagram() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.bind(("127.0.0.1", 0))
        here.settimeout(5.0)
        out = module("udp").Datagrams("127.0.0.1", here.getsockname()[1])
        sender = line.Sender(out.write, 128)
        made = [encoded(k, 50 * k, None) for k in range(3)]
        for one in made:
            sender.send(one)
        assert [here.recv(2048) for _ in made] == made
    out.close()
    assert sender.dropped == 0
