"""Every driver passes the tests that are shipped for the authors of new ones."""

import asyncio
import os
import shutil

import pytest

from drivers.broker import PROGRAM, MqttPart
from drivers.conftest import FilePart, SerialPart, TcpPart, UdpPart
from livealign.contract import DriverContract, LiveDriverContract, ReconnectingDriverContract, until
from livealign_drivers.mqtt import MqttDriver


class Reconnecting(ReconnectingDriverContract):
    """What those have in common that are built on the same base."""

    async def test_closing_does_not_wait_for_the_next_attempt(self, present, clock, listen, leftovers):
        await present.vanish()
        driver = present.driver(clock, reconnect_max_s=3600)
        listener = listen(driver)
        driver._pauses._next_s = 3600
        await until(lambda: "lost" in listener.states)
        async with asyncio.timeout(10):
            await driver.close()
            await listener.task
        await leftovers.none()


class TestSerial(Reconnecting):
    flood_bytes = 15_000_000
    most_memory_bytes = 7_000_000

    @pytest.fixture
    def part(self, tmp_path, missing):
        if not hasattr(os, "openpty"):
            missing("this platform has no pseudo terminals")
        return SerialPart(tmp_path)


class TestTcp(Reconnecting):
    @pytest.fixture
    def part(self):
        return TcpPart()


class TestMqtt(Reconnecting):
    flood_bytes = 4_000_000
    most_memory_bytes = 2_000_000

    @pytest.fixture
    def part(self, tmp_path, missing, monkeypatch):
        monkeypatch.setattr(MqttDriver, "most_frames", 128)
        if PROGRAM is None or shutil.which("mosquitto_passwd") is None:
            missing("MQTT is tested with a real broker: install the package mosquitto")
        return MqttPart(tmp_path)


class TestUdp(LiveDriverContract):
    @pytest.fixture
    def part(self):
        return UdpPart()


class TestFile(DriverContract):
    @pytest.fixture
    def part(self, tmp_path):
        return FilePart(tmp_path)
