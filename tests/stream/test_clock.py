"""Device counters and what the session makes of them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from livealign.stream.clock import ClockMap, unwrap

Floats = NDArray[np.float64]


def in_chunks(values: Floats, cuts: list[int]) -> list[Floats]:
    return np.split(values, sorted({c for c in cuts if c < values.size}))


@given(st.sampled_from([8, 16, 32, 64]), st.data())
def test_a_wrapped_counter_is_given_back_whatever_the_chunks(bits: int, data: st.DataObject) -> None:
    largest = min(2 ** (bits - 1) - 1, 2**40)
    steps = data.draw(st.lists(st.integers(0, largest), min_size=1, max_size=60))
    start = data.draw(st.integers(0, min(2**bits, 2**50) - 1))
    cuts = data.draw(st.lists(st.integers(1, 59), max_size=6))
    true = start + np.cumsum([0, *steps])
    counts = np.array([float(int(c) % 2**bits) for c in true])
    last: float | None = None
    got = []
    for chunk in in_chunks(counts, cuts):
        got.append(unwrap(chunk, last, 2.0**bits))
        last = float(got[-1][-1])
    whole = np.concatenate(got)
    assert np.array_equal(whole - whole[0], true - true[0])


def test_a_counter_that_never_wraps_is_left_alone() -> None:
    counts = np.array([5.0, 3.0, 4.0])
    assert np.array_equal(unwrap(counts, 100.0, None), counts)
    assert unwrap(np.empty(0), None, 256.0).size == 0


class Radio:
    """A device with a clock of its own behind a link that is late by a floor and a jitter."""

    def __init__(self, *, ppm: float = 40.0, seed: int = 4, boot_s: float = 3.7) -> None:
        self.rng = np.random.default_rng(seed)
        self.rate = 1.0 + ppm * 1e-6
        self.boot_s = boot_s

    def device_s(self, true_s: Floats) -> Floats:
        return (true_s + self.boot_s) * self.rate

    def arrival_s(self, true_s: float) -> float:
        return true_s + 0.002 + float(self.rng.exponential(0.005))


@pytest.mark.parametrize("wrap_bits", [None, 16])
def test_times_are_true_to_a_millisecond_through_jitter_loss_and_outage(wrap_bits: int | None) -> None:
    radio = Radio()
    clock = ClockMap(1e-6, None) if wrap_bits is None else ClockMap(1e-3, wrap_bits)
    unit = 1e-6 if wrap_bits is None else 1e-3
    worst, worst_by_count = 0.0, 0.0
    arrived = 0
    for block in range(6000):
        true = block * 0.02 + np.array([0.0, 0.01])
        if 50.0 < true[0] < 52.0 or radio.rng.random() < 0.001:
            continue
        counts = np.floor(radio.device_s(true) / unit)
        if wrap_bits is not None:
            counts %= 2.0**wrap_bits
        arrived += 2
        mapped = clock.map(counts, radio.arrival_s(float(true[1])))
        if true[0] > 10.0:
            # The floor of the delay cannot be known from one side.
            worst = max(worst, float(np.abs(mapped - true - 0.002).max()))
            worst_by_count = max(worst_by_count, abs((arrived - 1) * 0.01 - float(true[1])))
    assert worst < 2e-3
    assert clock.restarts == 0
    assert clock.u_s is not None
    assert clock.u_s < 2e-3
    assert worst_by_count > 1.0  # what counting arrivals would have given


def test_a_restarted_device_is_noticed_and_mapped_anew() -> None:
    radio = Radio()
    clock = ClockMap(1e-3, 32)
    for true in np.arange(0.0, 30.0, 0.01):
        clock.map(np.array([1e3 * radio.device_s(true)]), radio.arrival_s(float(true)))
    assert clock.restarts == 0
    for true in np.arange(31.0, 35.0, 0.01):
        mapped = clock.map(np.array([1e3 * (true - 30.9)]), radio.arrival_s(float(true)))
    assert clock.restarts == 1
    assert mapped[0] == pytest.approx(34.99, abs=0.01)


def test_a_restart_in_the_middle_of_a_batch_puts_nothing_into_the_future() -> None:
    clock = ClockMap(1e-3, 32)
    for true in np.arange(100.0, 110.0, 0.01):
        clock.map(np.array([1e3 * true]), float(true))
    mapped = clock.map(np.array([110_000.0, 110_010.0, 0.0, 10.0, 20.0]), 110.04)
    assert np.allclose(mapped, [110.0, 110.01, 110.02, 110.03, 110.04], atol=0.011)
    assert clock.restarts == 1


def test_a_jump_ahead_of_arrival_is_a_restart_too() -> None:
    """A 16 bit counter that starts anew may look like one that leapt forward."""
    clock = ClockMap(1e-3, 16)
    for true in np.arange(0.0, 40.0, 0.01):
        clock.map(np.array([1e3 * true % 65536]), float(true))
    mapped = clock.map(np.array([5.0]), 40.2)
    assert clock.restarts == 1
    assert mapped[0] == pytest.approx(40.2)


def test_missing_counts_give_no_time() -> None:
    clock = ClockMap(1.0, None)
    assert clock.u_s is None
    assert np.isnan(clock.map(np.array([np.nan, np.nan]), 5.0)).all()
    mapped = clock.map(np.array([1.0, np.nan, 1.5]), 7.0)
    assert mapped[0] == pytest.approx(6.5)
    assert np.isnan(mapped[1])
    assert mapped[2] == pytest.approx(7.0)
    assert np.isnan(clock.device_s(np.array([np.nan]))[0])


def test_captured_times_run_on_over_wrap_around_and_restart() -> None:
    clock = ClockMap(1e-3, 16)
    times = np.concatenate(
        [clock.device_s(np.array([65_000.0, 65_500.0])), clock.device_s(np.array([464.0]))]
    )
    assert np.allclose(times, [65.0, 65.5, 66.0])
    clock = ClockMap(1e-3, 32)
    times = clock.device_s(np.array([90_000.0, 90_010.0, 20.0, 30.0, 40.0]))
    assert np.allclose(np.diff(times)[[0, 2, 3]], 0.01)
    assert np.all(np.diff(times) >= -1e-9)
    assert np.all(np.diff(np.concatenate([times, clock.device_s(np.array([50.0]))])) >= -1e-9)


def settled_clock(until_s: float = 30.0) -> tuple[Radio, ClockMap]:
    radio, clock = Radio(), ClockMap(1e-3, 32)
    for true in np.arange(0.0, until_s, 0.02):
        clock.map(np.array([1e3 * radio.device_s(true)]), radio.arrival_s(float(true)))
    assert clock.restarts == 0
    return radio, clock


@pytest.mark.parametrize("step_s", [0.3, -0.3])
def test_a_clock_that_is_set_by_less_than_a_second_is_mapped_anew(step_s: float) -> None:
    """A host that slept, or a head whose clock was set over the network: bytes seem to come early, or all late."""
    radio, clock = settled_clock()
    for true in np.arange(30.0, 45.0, 0.02):
        mapped = clock.map(np.array([1e3 * radio.device_s(true)]), radio.arrival_s(float(true)) + step_s)
    assert clock.restarts == 1
    assert mapped[0] == pytest.approx(true + step_s + 0.002, abs=0.004)


def test_a_stretch_of_slow_radio_is_no_step_of_a_clock() -> None:
    radio, clock = settled_clock()
    for true in np.arange(30.0, 60.0, 0.02):
        slow = 0.2 if 35.0 < true < 38.0 else 0.0
        mapped = clock.map(np.array([1e3 * radio.device_s(true)]), radio.arrival_s(float(true)) + slow)
        assert abs(mapped[0] - true - 0.002) < 0.01
    assert clock.restarts == 0
