"""Battery, temperature, light: shown, and warning when out of bounds."""

from itertools import pairwise

import numpy as np
import pytest

from livealign.stream.auxiliary import AuxiliaryChannel


def battery() -> AuxiliaryChannel:
    return AuxiliaryChannel("head S battery", "V", scale=1e-3, offset=0.0, low=3.4, high=4.3)


def test_a_battery_that_runs_down_warns_and_does_not_flicker() -> None:
    channel = battery()
    assert channel.flags(0.0, still_since_s=0.0) == ("silent",)
    warned = []
    for i in range(400):
        falling = 3500.0 - 0.5 * i + 40.0 * (-1) ** i
        channel.take(np.array([falling, np.nan]), 0.1 * i)
        warned.append(channel.flags(0.1 * i, still_since_s=0.0) == ("low",))
    assert warned[-1]
    assert sum(a != b for a, b in pairwise(warned)) == 1
    assert channel.value == pytest.approx(3.3, abs=0.02)
    assert channel.flags(60.0, still_since_s=0.0) == ("silent",)


def test_one_that_is_told_once_a_minute_is_not_silent_between() -> None:
    channel = battery()
    for minute in range(3):
        channel.take(np.array([4000.0]), 60.0 * minute)
        assert channel.flags(60.0 * minute + 59.0, still_since_s=0.0) == ()
    channel.take(np.full(20, 4400.0), 190.0)
    assert channel.flags(190.0, still_since_s=0.0) == ("high",)


def test_no_number_is_no_battery() -> None:
    channel = battery()
    channel.take(np.array([np.nan, np.inf]), 1.0)
    assert channel.value is None
    assert channel.silent(1.0)
