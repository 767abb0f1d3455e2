"""The contract of drivers on a second broker, where there is one: `pipx install amqtt` puts it beside.

It is no part of what the tests need: its own needs (websockets 15) clash with what this program is tested with.
"""

import pytest

from drivers.broker import AMQTT, AmqttPart
from livealign.contract import ReconnectingDriverContract
from livealign_drivers.mqtt import MqttDriver

if AMQTT is None:
    pytest.skip("amqtt, a second broker, is optional", allow_module_level=True)


class TestMqttOnAmqtt(ReconnectingDriverContract):
    flood_bytes = 4_000_000
    most_memory_bytes = 2_000_000

    @pytest.fixture
    def part(self, tmp_path, monkeypatch):
        monkeypatch.setattr(MqttDriver, "most_frames", 128)
        return AmqttPart(tmp_path)
