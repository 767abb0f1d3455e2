"""What every driver has to do, tried with Bluetooth LE."""

import pytest

from drivers import test_driver_contract as contract

globals().update({name: test for name, test in vars(contract).items() if name.startswith("test_")})


@pytest.fixture
def part(ble_part):
    return ble_part


@pytest.fixture
def live_part(ble_part):
    return ble_part


@pytest.fixture
def streaming_part(ble_part):
    return ble_part
