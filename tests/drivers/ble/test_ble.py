"""Bluetooth LE through bleak's back end for Linux: what is special about it."""

import asyncio
import subprocess
import sys

import pytest
from pydantic import ValidationError

from drivers.ble.fake_bluez import PLAIN, RX, SERIAL, TX, FakeDevice
from livealign.stream.contracts import Frame
from livealign_drivers.ble import BleDriver, BleOptions, Silence

OTHER = "6f1a0001-5c3b-4d7e-9a10-0c7b8e5d2f00"
FIRST = "6f1a0002-5c3b-4d7e-9a10-0c7b8e5d2f00"
SECOND = "6f1a0003-5c3b-4d7e-9a10-0c7b8e5d2f00"
MIXED = {OTHER: {FIRST: ["read"], SECOND: ["read", "notify"]}, **PLAIN}


@pytest.mark.parametrize(
    "found_by",
    [{"name": "head-S"}, {"address": "c0:ff:ee:00:00:01"}, {"service": SERIAL.upper()}],
    ids=lambda given: next(iter(given)),
)
async def test_it_finds_its_head_among_others_and_reads_it(
    bluez, head, driver, listen, wait_until, found_by, leftovers
):
    bluez.come(
        FakeDevice("C0:FF:EE:00:00:07", "someone's watch", {"0000180d-0000-1000-8000-00805f9b34fb": {}})
    )
    bluez.come(head)
    reading = driver(**found_by)
    listener = listen(reading)
    await wait_until(lambda: "open" in listener.states)
    bluez.notify(head, b"1,12.")
    bluez.notify(head, b"5\n")
    await wait_until(lambda: listener.received == b"1,12.5\n")
    frames = [i.payload for i in listener.items if isinstance(i, Frame)]
    assert frames == [b"1,12.", b"5\n"], "pieces of lines come as they are"
    assert bluez.characteristics(head) == [TX]
    await reading.close()
    assert not bluez.connected(head)
    await leftovers.none()


@pytest.mark.parametrize(
    ("chosen", "subscribed"),
    [
        ({}, TX),
        ({"service": OTHER}, SECOND),
        ({"characteristic": SECOND}, SECOND),
        ({"service": SERIAL, "characteristic": TX}, TX),
    ],
)
async def test_it_subscribes_to_what_the_rig_file_means(
    bluez, head, driver, listen, wait_until, chosen, subscribed
):
    head.services = MIXED
    bluez.come(head)
    listener = listen(driver(name="head-S", **chosen))
    await wait_until(lambda: "open" in listener.states)
    assert bluez.characteristics(head) == [subscribed]


@pytest.mark.parametrize("chosen", [{"characteristic": RX}, {"service": "ffe0"}, {"characteristic": "ffe1"}])
async def test_a_characteristic_that_cannot_notify_is_refused_with_those_that_can(
    bluez, head, driver, listen, wait_until, chosen
):
    bluez.come(head)
    listener = listen(driver(name="head-S", **chosen))
    await wait_until(lambda: "refused" in listener.states)
    assert "in the rig file" in listener.events[-1].detail
    assert TX in listener.events[-1].detail


async def test_line_ends_that_are_left_out_are_added(bluez, head, driver, listen, wait_until):
    bluez.come(head)
    listener = listen(driver(name="head-S", add_line_end=True))
    await wait_until(lambda: "open" in listener.states)
    for sent in (b"1,2", b"3,4\r\n"):
        bluez.notify(head, sent)
    await wait_until(lambda: listener.received == b"1,2\n3,4\r\n")


async def test_two_heads_of_a_kind_go_to_a_link_each_over_one_scan(bluez, head, driver, listen, wait_until):
    other = FakeDevice("C0:FF:EE:00:00:02", "head-M", PLAIN)
    bluez.come(head)
    bluez.come(other)
    listeners = [listen(driver(service=SERIAL)), listen(driver(service=SERIAL))]
    await wait_until(lambda: all("open" in heard.states for heard in listeners))
    assert bluez.connected(head)
    assert bluez.connected(other)
    assert bluez.calls.count("StartDiscovery") == 1
    await listeners[0].driver.close()
    assert bluez.connected(head) + bluez.connected(other) == 1


async def test_a_head_that_is_missing_does_not_hold_up_the_other(bluez, head, driver, listen, wait_until):
    missing = listen(driver(name="head-M", scan_timeout_s=300))
    await wait_until(lambda: "StartDiscovery" in bluez.calls)
    bluez.come(head)
    listener = listen(driver(name="head-S"))
    await wait_until(lambda: "open" in listener.states)
    bluez.lose(head)
    await wait_until(lambda: listener.states.count("open") == 2)
    assert missing.states == ["connecting"]
    assert bluez.calls.count("StartDiscovery") == 1


async def test_not_found_is_told_with_who_is_near(bluez, head, driver, listen, wait_until):
    head.name = "Head-S"
    bluez.come(head)
    bluez.come(FakeDevice("C0:FF:EE:00:00:07", ""))
    listener = listen(driver(name="head-S", scan_timeout_s=0.5))
    await wait_until(lambda: "lost" in listener.states)
    assert "no device named 'head-S' was found" in listener.events[-1].detail
    assert "Seen nearby: 'Head-S', 1 without a name" in listener.events[-1].detail


async def test_a_head_that_a_killed_program_left_connected_is_taken_over(
    bluez, head, driver, listen, wait_until
):
    bluez.come(head)
    bluez.advertise(head)
    await bluez.resolve(head)
    head.advertises = False
    listener = listen(driver(name="head-S", scan_timeout_s=0.2))
    await wait_until(lambda: "open" in listener.states)
    assert "Connect" not in bluez.calls


async def test_a_service_that_dies_unnoticed_is_found_out_by_silence(
    bluez, bus, head, driver, listen, wait_until, monkeypatch
):
    monkeypatch.setattr(Silence, "least_s", 0.5)
    bluez.come(head)
    listener = listen(driver(name="head-S", reconnect_max_s=0.2))
    await wait_until(lambda: "open" in listener.states)
    for n in range(10):
        bluez.notify(head, b"%d\n" % n)
    await wait_until(lambda: listener.received.endswith(b"9\n"))
    await bluez.stop()
    await wait_until(lambda: "refused" in listener.states)
    assert listener.states == ["connecting", "open", "lost", "refused"]
    assert "has sent nothing for" in listener.events[2].detail
    assert "systemctl start bluetooth" in listener.events[3].detail

    await bluez.start(bus)
    await wait_until(lambda: listener.states.count("open") == 2)
    await wait_until(lambda: bluez.notify(head, b"again\n"))
    await wait_until(lambda: listener.received.endswith(b"again\n"))


def test_listing_its_options_loads_no_bluetooth():
    code = "import sys, livealign_drivers.ble\nprint('bleak' in sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=60
    )
    assert told.stdout == "False\n"


async def test_a_silence_that_the_rig_file_limits(bluez, head, driver, listen, wait_until):
    bluez.come(head)
    listener = listen(driver(name="head-S", silence_max_s=0.3))
    await wait_until(lambda: listener.states.count("open") == 2)
    assert listener.states[:4] == ["connecting", "open", "lost", "open"]
    assert "has sent nothing for 0.3 s" in listener.events[2].detail


async def test_a_service_that_dies_before_the_first_notification_is_found_out(
    bluez, bus, head, driver, listen, wait_until, monkeypatch
):
    monkeypatch.setattr(Silence, "least_unknown_s", 0.5)
    bluez.come(head)
    listener = listen(driver(name="head-S"))
    await wait_until(lambda: "open" in listener.states)
    await bluez.stop()
    await wait_until(lambda: "refused" in listener.states)
    assert listener.states == ["connecting", "open", "lost", "refused"]
    assert "has sent nothing for" in listener.events[2].detail
    await bluez.start(bus)
    await wait_until(lambda: listener.states.count("open") == 2)


@pytest.mark.parametrize("to", [None, RX])
async def test_a_head_that_only_answers_is_asked(bluez, head, driver, listen, wait_until, leftovers, to):
    bluez.come(head)
    asked = 0

    def answer(characteristic: str, data: bytes) -> None:
        nonlocal asked
        assert (characteristic, data) == (RX, b"R\r\n")
        asked += 1
        if asked != 3:  # one answer is lost
            bluez.notify(head, b"%d\n" % asked)

    bluez.written = answer
    request = {"text": "R\r\n", "after_answer": True, "answer_within_s": 0.1, "pause_s": 0}
    reading = driver(name="head-S", request=request, request_characteristic=to)
    listener = listen(reading)
    await wait_until(lambda: listener.received.startswith(b"1\n2\n4\n5\n"))
    assert listener.states == ["connecting", "open"]
    bluez.lose(head)
    await wait_until(lambda: listener.states.count("open") == 2)
    before = asked
    await wait_until(lambda: asked > before + 1)
    await reading.close()
    await leftovers.none()


@pytest.mark.parametrize(
    ("to", "error", "told"),
    [
        (TX, None, f"has no characteristic {TX} that can be written (those that can: {RX})"),
        (RX, "org.bluez.Error.NotAuthorized", "wants to be paired first"),
        (RX, "org.bluez.Error.NotPermitted", "correct `characteristic` or `request_characteristic`"),
    ],
)
async def test_a_head_that_cannot_be_asked_is_refused(
    bluez, head, driver, listen, wait_until, leftovers, to, error, told
):
    bluez.come(head)
    if error:
        bluez.errors["WriteValue"] = (error, "no")
    request = {"text": "R", "every_s": 0.05}
    reading = driver(name="head-S", request=request, request_characteristic=to)
    listener = listen(reading)
    await wait_until(lambda: "refused" in listener.states)
    assert told in next(e.detail for e in listener.events if e.state == "refused")
    await reading.close()
    await leftovers.none()


async def test_a_service_that_hangs_while_asked_does_not_hold_up_closing(
    bluez, head, driver, listen, wait_until, leftovers
):
    bluez.come(head)
    bluez.unanswered.add("WriteValue")
    reading = driver(name="head-S", request={"text": "R", "every_s": 0.05})
    listen(reading)
    await wait_until(lambda: "WriteValue" in bluez.calls)
    async with asyncio.timeout(10):
        await reading.close()
    await leftovers.none()


def test_silence_is_learnt_and_never_from_too_little():
    silence = Silence(None)
    silence.begin(100.0)
    assert not silence.too_long(129.0)
    assert silence.too_long(130.0), "nothing is known of its pauses: half a minute"
    silence.begin(131.0)
    assert not silence.too_long(190.0), "and twice that, as it may have nothing to say"
    silence.begin(100.0)
    for n in range(20):
        silence.broken(100.0 + 2 * n)
    assert silence.limit_s == 20.0, "ten times its pause"
    assert not silence.too_long(157.0)
    assert silence.too_long(159.0)
    silence.begin(160.0)
    assert not silence.too_long(199.0), "twice as long after a silence that was in vain"
    silence.broken(199.5)
    assert silence.limit_s == pytest.approx(395.0), "a pause as long as that has been seen now"
    for n in range(300):
        silence.broken(200.0 + 0.01 * n)
    assert silence.limit_s == 5.0, "and is forgotten"


@pytest.mark.parametrize(
    ("given", "advice"),
    [({"adapter": False}, "no Bluetooth adapter"), ({"powered": False}, "bluetoothctl power on")],
)
async def test_without_an_adapter_that_is_on_a_person_is_asked(
    bus, bluez, head, driver, listen, wait_until, given, advice
):
    from bleak.backends.bluezdbus import manager

    await bluez.stop()
    await bluez.start(bus, **given)
    known = manager._global_instances[asyncio.get_running_loop()]
    known._bus.disconnect()  # forces bleak to look again, as a new process would
    await asyncio.wait({known._bus_watcher_task})
    listener = listen(driver(name="head-S"))
    await wait_until(lambda: "refused" in listener.states)
    assert advice in listener.events[-1].detail


@pytest.mark.parametrize(
    ("method", "error", "state", "advice"),
    [
        ("StartDiscovery", "org.bluez.Error.NotReady", "refused", "switched off"),
        ("StartDiscovery", "org.freedesktop.DBus.Error.AccessDenied", "refused", "may not use Bluetooth"),
        ("StartDiscovery", "org.bluez.Error.Failed", "lost", "is it near, and on?"),
        ("Connect", "org.bluez.Error.Failed", "lost", "head-S cannot be reached"),
        ("Connect", "org.bluez.Error.AuthenticationFailed", "refused", "head-S wants to be paired first"),
        ("Connect", "org.freedesktop.DBus.Error.UnknownObject", "lost", "head-S was there and is gone"),
        ("StartNotify", "org.bluez.Error.NotAuthorized", "refused", "head-S wants to be paired first"),
        ("StartNotify", "org.bluez.Error.InProgress", "lost", "head-S cannot be reached"),
    ],
)
async def test_every_refusal_is_told_in_words_and_ends_when_its_cause_does(
    bluez, head, driver, listen, wait_until, leftovers, method, error, state, advice
):
    bluez.come(head)
    bluez.errors[method] = (error, "no")
    reading = driver(name="head-S")
    listener = listen(reading)
    await wait_until(lambda: state in listener.states)
    assert advice in listener.events[-1].detail
    await asyncio.sleep(0.2)  # it tries in vain, and says no more
    assert listener.states == ["connecting", state]
    bluez.errors.clear()
    await wait_until(lambda: "open" in listener.states)
    await reading.close()
    await leftovers.none()


async def test_without_a_bus_a_person_is_asked(bus, driver, listen, wait_until, monkeypatch, tmp_path):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    listener = listen(driver(name="head-S"))
    await wait_until(lambda: "refused" in listener.states)
    assert "message bus" in listener.events[-1].detail


@pytest.mark.parametrize(
    "method", ["StartDiscovery", "StopDiscovery", "Connect", "StartNotify", "Disconnect"]
)
async def test_closing_at_any_moment_leaves_nothing_even_if_the_service_hangs(
    bluez, head, driver, listen, wait_until, leftovers, monkeypatch, method
):
    from livealign_drivers import _ble_link, _ble_radio

    for module in (_ble_radio, _ble_link):
        monkeypatch.setattr(module, "LEAVE_S", 0.2)
    bluez.come(head)
    bluez.unanswered.add(method)
    reading = driver(name="head-S")
    listener = listen(reading)
    if method == "Disconnect":
        await wait_until(lambda: "open" in listener.states)
    else:
        await wait_until(lambda: method in bluez.calls)
    async with asyncio.timeout(10):
        await reading.close()
        await listener.task
    if bluez._advertising is not None:
        bluez._advertising.cancel()  # the air itself, which was not told that the scan is over
    await leftovers.none()


async def test_closing_while_scanning_stops_the_scan(bluez, driver, listen, wait_until, leftovers):
    reading = driver(name="head-S", scan_timeout_s=300)
    listener = listen(reading)
    await wait_until(lambda: "StartDiscovery" in bluez.calls)
    await reading.close()
    await listener.task
    assert "StopDiscovery" in bluez.calls
    await leftovers.none()


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "one of `address`, `name` and `service`"),
        ({"characteristic": TX}, "one of `address`, `name` and `service`"),
        ({"name": ""}, "name"),
        ({"address": "C0:FF:EE"}, "address"),
        ({"service": "heart rate"}, "must be a UUID"),
        ({"name": "head-S", "scan_timeout_s": 0}, "scan_timeout_s"),
        ({"name": "head-S", "pin": 1234}, "pin"),
    ],
)
def test_options_say_what_is_wrong(given, told):
    with pytest.raises(ValidationError, match=told):
        BleOptions.model_validate(given)


def test_short_uuids_are_meant_as_the_standard_means_them():
    options = BleOptions(service="FFE0")
    assert options.service == "0000ffe0-0000-1000-8000-00805f9b34fb"
    assert isinstance(BleDriver.options_model, type)
