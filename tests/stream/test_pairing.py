"""The angle that belongs to a position that came by another link."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from livealign.stream.clock import ClockMap
from livealign.stream.pairing import AngleTrack, PendingPositions

Floats = NDArray[np.float64]


def angle_at(time_s: Floats) -> Floats:
    """A turn by hand: quick and slow, 30 deg/s at most."""
    return np.radians(20.0 * time_s + 10.0 * np.sin(time_s))


def test_two_clocks_are_brought_together_at_the_positions_time() -> None:
    rng = np.random.default_rng(8)
    clocks = {"S": ClockMap(1e-3, 16), "M": ClockMap(1e-6, 32)}
    track, waiting = AngleTrack(), PendingPositions()
    got: list[tuple[Floats, Floats, Floats]] = []
    sent = 0
    for i in range(3000):
        true = i * 0.01
        angle_time = clocks["S"].map(
            np.array([np.floor(1e3 * (true + 7.0) * (1 + 40e-6)) % 2**16]),
            true + 0.001 + rng.exponential(0.004),
        )
        track.add(angle_time, angle_at(np.array([true])))
        seen = true + 0.0043
        position_time = clocks["M"].map(
            np.array([np.floor(1e6 * (seen + 99.0) * (1 - 30e-6)) % 2**32]),
            seen + 0.001 + rng.exponential(0.004),
        )
        waiting.add(position_time, np.array([seen]))  # the value is its own true time
        sent += 1
        got.append(waiting.resolve(track))
    _, angle, value = (np.concatenate(column) for column in zip(*got, strict=True))
    late = value > 10.0
    assert late.sum() > 1900
    # 2 ms at 30 deg/s
    assert np.abs(angle - angle_at(value))[late].max() < np.radians(0.06)
    assert value.size + waiting.dropped >= sent - 3


def test_nothing_is_extrapolated() -> None:
    track = AngleTrack()
    assert np.isnan(track.at(np.array([0.0]))).all()
    track.add(np.array([1.0]), np.array([0.5]))
    assert np.isnan(track.at(np.array([1.0]))).all()
    track.add(np.array([1.1]), np.array([0.6]))
    assert np.array_equal(np.isnan(track.at(np.array([0.99, 1.0, 1.05, 1.1, 1.11]))), [1, 0, 0, 0, 1])
    assert track.at(np.array([1.05]))[0] == 0.55


def test_a_wide_gap_between_angles_gives_nothing() -> None:
    track, waiting = AngleTrack(), PendingPositions()
    track.add(np.array([0.0, 0.1, 0.36, 0.46]), np.arange(4.0))
    waiting.add(np.array([0.05, 0.2, 0.4]), np.array([1.0, 2.0, 3.0]))
    time, _, value = waiting.resolve(track)
    assert time.tolist() == [0.05, 0.4]
    assert value.tolist() == [1.0, 3.0]
    assert waiting.dropped == 1


def test_a_position_waits_for_its_angle_and_goes_if_it_never_comes() -> None:
    track, waiting = AngleTrack(), PendingPositions()
    waiting.add(np.array([0.5, 1.05, 1.15]), np.array([1.0, 2.0, 3.0]))
    assert waiting.resolve(track)[0].size == 0
    assert waiting.dropped == 0
    track.add(np.array([1.0, 1.1]), np.array([0.0, 0.1]))
    assert waiting.resolve(track)[2].tolist() == [2.0]
    assert waiting.dropped == 1  # the one from before any angle
    track.add(np.array([1.2]), np.array([0.2]))
    assert waiting.resolve(track)[2].tolist() == [3.0]
    assert waiting.resolve(track)[2].size == 0


def test_what_waits_is_bounded_and_every_drop_counted() -> None:
    track, waiting = AngleTrack(), PendingPositions()
    for i in range(100):
        waiting.add(i + np.arange(100) / 100.0, np.zeros(100))
    track.add(np.array([1e6, 1e6 + 0.1]), np.zeros(2))
    assert waiting.resolve(track)[0].size == 0
    assert waiting.dropped == 10_000


@given(st.permutations(range(12)))
def test_angles_out_of_order_are_put_in_order(order: list[int]) -> None:
    track = AngleTrack()
    for i in order:
        track.add(np.array([i / 10.0]), np.array([i / 5.0]))
    assert np.allclose(track.at(np.array([0.33, 0.77])), [0.66, 1.54])
