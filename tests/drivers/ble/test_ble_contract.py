"""The Bluetooth LE driver passes the tests that are shipped for the authors of new ones."""

import pytest

from drivers.ble.conftest import BlePart
from drivers.test_driver_contract import Reconnecting
from livealign_drivers.ble import BleDriver


class TestBle(Reconnecting):
    flood_bytes = 500_000
    piece_bytes = 250
    most_memory_bytes = 250_000

    @pytest.fixture
    def part(self, bluez, head, monkeypatch):
        monkeypatch.setattr(BleDriver, "most_frames", 64)
        return BlePart(bluez, head)
