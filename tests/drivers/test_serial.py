"""Serial ports: what is special about them."""

import errno
import os
import time
from pathlib import Path

import pytest
import serial
from pydantic import ValidationError

from livealign_drivers._serial_trouble import why_not_open
from livealign_drivers.serial import SerialDriver, SerialOptions


async def test_a_missing_port_is_told_with_what_there_is(serial_part, clock, listen, wait_until):
    await serial_part.vanish()
    listener = listen(serial_part.driver(clock))
    await wait_until(lambda: "lost" in listener.states)
    detail = listener.events[-1].detail
    assert str(serial_part.name) in detail
    assert "plug it in" in detail
    assert "this computer" in detail.lower()


async def test_a_port_in_use_is_refused_and_opens_when_it_is_free(serial_part, clock, listen, wait_until):
    with serial.Serial(str(serial_part.name), exclusive=True):
        listener = listen(serial_part.driver(clock))
        await wait_until(lambda: "refused" in listener.states)
    assert "in use by another program" in listener.events[-1].detail
    await wait_until(lambda: "open" in listener.states)
    assert listener.states == ["connecting", "refused", "open"]


async def test_unplugged_in_the_middle_of_a_line(serial_part, clock, listen, wait_until, leftovers):
    """Between two reads the system says no more than "input/output error" (OSError 5), in whatever pyserial asks it."""
    driver = serial_part.driver(clock)
    listener = listen(driver)
    for n in range(1, 11):
        await wait_until(lambda times=n: listener.states.count("open") == times)
        await serial_part.send(b"1,12.5\n2,1" * 50)
        await serial_part.vanish()
        await wait_until(lambda times=n: listener.states.count("lost") == times)
        assert "plug it in" in listener.events[-1].detail
        await serial_part.appear()
    await wait_until(lambda: listener.states.count("open") == 11)
    await driver.close()
    await listener.task
    await leftovers.none()


async def test_an_open_port_is_locked_against_others(serial_part, clock, listen, wait_until):
    listener = listen(serial_part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    with pytest.raises(serial.SerialException):
        serial.Serial(str(serial_part.name), exclusive=True)


@pytest.mark.skipif(os.name != "posix", reason="the words are POSIX's")
async def test_what_is_no_serial_port_is_refused(tmp_path, clock, listen, wait_until):
    plain = tmp_path / "notes.txt"
    plain.write_text("1,2,3\n")
    driver = SerialDriver("S", SerialOptions(port=str(plain), reconnect_max_s=0.05), clock)
    listener = listen(driver)
    await wait_until(lambda: "refused" in listener.states)
    assert "not a serial port" in listener.events[-1].detail
    assert plain.read_text() == "1,2,3\n"


async def test_a_url_nobody_knows_is_refused(clock, listen, wait_until):
    listener = listen(SerialDriver("S", SerialOptions(port="nothing://here", reconnect_max_s=0.05), clock))
    await wait_until(lambda: "refused" in listener.states)
    assert "nothing://here" in listener.events[-1].detail


async def test_a_port_by_url_is_read_and_closed_as_well(tcp_part, clock, listen, wait_until, leftovers):
    options = SerialOptions(port=f"socket://127.0.0.1:{tcp_part.port}", reconnect_max_s=0.05)
    driver = SerialDriver("S", options, clock)
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    await tcp_part.send(b"1,2,3\n")
    await wait_until(lambda: listener.received == b"1,2,3\n")
    await driver.close()
    await listener.task
    await leftovers.none()


@pytest.mark.skipif(os.name != "posix", reason="groups are POSIX's")
def test_a_forbidden_port_names_the_group_to_join(tmp_path):
    import grp

    port = tmp_path / "ttyUSB0"
    port.touch()
    port.chmod(0o660)
    group = grp.getgrgid(port.stat().st_gid).gr_name
    trouble = why_not_open(str(port), serial.SerialException(errno.EACCES, "Permission denied"))
    assert trouble.state == "refused"
    assert f"usermod -aG {group} $USER" in str(trouble)

    port.chmod(0o600)
    trouble = why_not_open(str(port), serial.SerialException(errno.EACCES, "Permission denied"))
    assert "usermod" not in str(trouble), "joining the group would not help"


@pytest.mark.parametrize(
    ("words", "state", "told"),
    [
        ("could not open port 'COM9': FileNotFoundError(2, 'x', None, 2)", "lost", "plug it in"),
        ("could not open port 'COM9': PermissionError(13, 'x', None, 5)", "refused", "another program"),
        ("could not open port 'COM9': OSError(22, 'x', None, 121)", "lost", "check the cable"),
    ],
)
def test_what_windows_says_is_understood(words, state, told):
    trouble = why_not_open("COM9", serial.SerialException(words))
    assert trouble.state == state
    assert told in str(trouble)


async def test_frames_carry_the_time_they_came_even_if_the_loop_is_busy(
    serial_part, clock, listen, wait_until
):
    listener = listen(serial_part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    before = clock()
    await serial_part.send(b"x")
    hold_up_until(lambda: listener.driver._queue._items)
    busy_until = clock()
    await wait_until(lambda: listener.received)
    assert before <= listener.items[-1].time_ns <= busy_until


def hold_up_until(true) -> None:
    """Keep the loop from running, as a slow screen might, for 20 s at most."""
    for _ in range(2000):
        if true():
            return
        time.sleep(0.01)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "port"),
        ({"port": "/dev/ttyUSB0", "baud": 0}, "baud"),
        ({"port": "/dev/ttyUSB0", "stopbits": 3}, "must be 1, 1.5 or 2"),
        ({"port": "/dev/ttyUSB0", "parity": "N"}, "'none', 'even'"),
        ({"port": "/dev/ttyUSB0", "baudrate": 9600}, "baudrate"),
        ({"port": "/dev/ttyUSB0", "reconnect_max_s": 0}, "reconnect_max_s"),
    ],
)
def test_options_say_what_is_wrong(given, told):
    with pytest.raises(ValidationError, match=told):
        SerialOptions(**given)


def test_the_usual_options_do():
    options = SerialOptions(port="COM3")
    assert (options.baud, options.bytesize, options.parity, options.stopbits) == (115200, 8, "none", 1)
    assert Path(options.port).name == "COM3"
