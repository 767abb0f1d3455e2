"""Calibration of a stream, and the flags that say what cannot be trusted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from livealign.stream.channel import AngleChannel, PositionChannel, PositionLimits

Floats = NDArray[np.float64]
RATE_HZ = 100
NOISE_M = 2e-6
DEG = np.pi / 180.0


def spot(*, scale: float = 1e-6, limits: PositionLimits | None = None) -> PositionChannel:
    return PositionChannel("head S spot", "mm", NOISE_M, scale=scale, limits=limits or PositionLimits())


def tilt(*, scale: float = DEG, zero_rad: float = 0.0) -> AngleChannel:
    return AngleChannel("head S angle", "deg", 0.05 * DEG, scale=scale, zero_rad=zero_rad)


class Play:
    """Feeds a channel with metres at 100 Hz in blocks of two."""

    def __init__(self, channel: PositionChannel, seed: int = 2) -> None:
        self.channel, self.rng, self.now_s = channel, np.random.default_rng(seed), 0.0

    def feed(self, metres: Floats, *, noise_m: float = NOISE_M, light: float | None = None) -> list[bool]:
        used: list[bool] = []
        raw = (metres + self.rng.normal(0.0, noise_m, metres.size)) / 1e-6
        for pair in np.split(raw, range(2, raw.size, 2)):
            time_s = self.now_s + np.arange(1, pair.size + 1) / RATE_HZ
            self.now_s = float(time_s[-1])
            lit = None if light is None else np.full(pair.size, light)
            used += self.channel.take(time_s, pair, lit, self.now_s)[1].tolist()
        return used

    def rest(self, seconds: float, at_m: float = 0.0, **how: float) -> list[bool]:
        return self.feed(np.full(round(seconds * RATE_HZ), at_m), **how)

    def flags(self, *, still_since_s: float = 0.0) -> tuple[str, ...]:
        return self.channel.flags(self.now_s, still_since_s=still_since_s)


@pytest.mark.parametrize(
    ("polarity", "unit_m", "gain", "raw", "true_m"),
    [(1, 1e-6, 1.0, 250.0, 250e-6), (-1, 25.4e-6, 1.0, 10.0, -254e-6), (1, 1e-3, 1.02, 1.02, 1e-3)],
)
def test_calibration_takes_unit_polarity_and_gain(
    polarity: int, unit_m: float, gain: float, raw: float, true_m: float
) -> None:
    channel = spot(scale=polarity * unit_m / gain)
    position, good = channel.take(np.array([0.0]), np.array([raw]), None, 0.0)
    assert position[0] == pytest.approx(true_m)
    assert good.all()
    assert channel.value == pytest.approx(true_m)


def test_a_channel_that_has_brought_nothing_is_silent() -> None:
    assert spot().flags(5.0, still_since_s=0.0) == ("silent",)
    assert spot().value is None
    assert spot().noise is None


def test_a_channel_whose_cells_stay_empty_is_silent_though_its_link_speaks() -> None:
    play = Play(spot())
    play.rest(8.0)
    assert play.flags() == ("steady",)
    for i in range(300):
        now = play.now_s + 0.01 * (i + 1)
        play.channel.take(np.array([now]), np.array([np.nan]), None, now)
    assert play.channel.flags(play.now_s + 3.0, still_since_s=0.0) == ("silent",)


def test_at_rest_a_channel_is_steady_and_its_noise_is_found() -> None:
    play = Play(spot())
    play.rest(2.0)
    assert play.flags() == ()
    play.rest(6.0)
    assert play.flags() == ("steady",)
    assert play.channel.noise == pytest.approx(NOISE_M, rel=0.15)
    assert play.channel.rate_hz(play.now_s) == pytest.approx(RATE_HZ, rel=0.05)


def test_turning_is_no_noise() -> None:
    play = Play(spot())
    play.feed(1e-3 * np.sin(np.radians(30.0) * np.arange(1200) / RATE_HZ))
    assert play.channel.noise == pytest.approx(NOISE_M, rel=0.2)
    assert play.flags(still_since_s=np.inf) == ()


def test_dim_light_keeps_readings_out_and_goes_when_light_returns() -> None:
    play = Play(spot(limits=PositionLimits(dim_below=200.0)))
    assert all(play.rest(1.0, light=900.0))
    assert not any(play.rest(0.5, light=150.0))
    assert play.flags() == ("dim",)
    assert all(play.rest(3.0, light=900.0))
    assert "dim" not in play.flags()


def test_readings_at_the_edge_of_the_detector_are_clipped() -> None:
    play = Play(spot(limits=PositionLimits(-5e-3, 5e-3)))
    assert all(play.rest(1.0, at_m=4.9e-3))
    value = play.channel.value
    assert not any(play.rest(4.0, at_m=5.1e-3))
    assert play.flags() == ("clipped",)
    assert play.channel.value == value
    assert not any(play.rest(0.1, at_m=-5.1e-3))


def test_a_single_spike_is_flagged_and_left_out() -> None:
    play = Play(spot())
    play.rest(1.0)
    assert play.feed(np.array([0.0, 0.0, 400e-6, 0.0, 0.0, 0.0])) == [True, True, False, True, True, True]
    assert play.flags() == ("jumped",)
    play.rest(2.5)
    assert "jumped" not in play.flags()


def test_a_true_step_is_believed_after_a_few_readings() -> None:
    play = Play(spot())
    play.rest(1.0)
    used = play.rest(1.0, at_m=400e-6)
    first = used.index(True)
    assert 1 <= first <= 5
    assert all(used[first + 3 :])
    assert play.channel.value == pytest.approx(400e-6, abs=6 * NOISE_M)


def test_a_brisk_turn_is_no_jump() -> None:
    """2 mm amplitude at 60 deg/s: 21 um from one reading to the next."""
    play = Play(spot())
    assert all(play.feed(2e-3 * np.sin(np.radians(60.0) * np.arange(1200) / RATE_HZ)))


def test_more_noise_than_declared_is_said() -> None:
    play = Play(spot())
    play.rest(4.0, noise_m=4 * NOISE_M)
    assert "noisy" in play.flags()
    play.rest(10.0, noise_m=NOISE_M)
    assert "noisy" not in play.flags()


@pytest.mark.parametrize("seed", range(20))
def test_the_first_readings_do_not_cry_noisy(seed: int) -> None:
    play = Play(spot(), seed)
    for _ in range(30):
        play.rest(0.1)
        assert "noisy" not in play.flags()


def test_a_slow_drift_at_rest_is_said() -> None:
    play = Play(spot())
    play.feed(2e-6 * np.arange(1000) / RATE_HZ)  # 2 um/s
    assert "drifting" in play.flags()


def test_a_move_is_no_drift() -> None:
    play = Play(spot())
    play.rest(6.0)
    play.rest(8.0, at_m=0.3e-3)
    assert "drifting" not in play.flags(still_since_s=6.1)
    assert "steady" in play.flags(still_since_s=6.1)
    assert "drifting" not in play.flags(still_since_s=np.inf)
    assert "steady" not in play.flags(still_since_s=np.inf)


@pytest.mark.parametrize("seed", range(5))
def test_a_noisy_detector_at_rest_does_not_drift(seed: int) -> None:
    channel = PositionChannel("indicator", "mm", 10e-6, scale=1e-6, limits=PositionLimits())
    play = Play(channel, seed)
    for _ in range(150):
        play.rest(0.1, noise_m=10e-6)
        assert "drifting" not in play.flags()


def test_an_angle_runs_on_over_the_full_turn() -> None:
    channel = tilt()
    angle = channel.take(np.arange(3.0), np.array([350.0, 358.0, 4.0]), 2.0)
    assert np.allclose(np.degrees(angle), [350.0, 358.0, 364.0])
    angle = channel.take(np.array([3.0]), np.array([356.0]), 3.0)
    assert np.degrees(angle[0]) == pytest.approx(356.0)
    assert channel.kind == "angle"


def test_a_counterclockwise_inclinometer_with_its_zero_at_3_oclock_is_turned_about() -> None:
    channel = tilt(scale=-DEG, zero_rad=np.pi / 2)
    angle = channel.take(np.arange(4.0), np.array([0.0, 350.0, 340.0, np.nan]), 3.0)
    assert np.allclose(np.degrees(angle[:3]), [90.0, 100.0, 110.0])
    assert np.isnan(angle[3])


@given(
    st.lists(st.sampled_from([0.0, 0.0, 0.0, 300.0, -6000.0, float("nan")]), min_size=8, max_size=60),
    st.lists(st.integers(1, 59), max_size=8),
)
def test_how_records_are_batched_changes_nothing(kinds: list[float], cuts: list[int]) -> None:
    raw = np.array(kinds) + np.random.default_rng(1).normal(0, 2, len(kinds))
    time_s = np.arange(raw.size) / RATE_HZ
    light = np.where(np.arange(raw.size) % 17 == 16, 10.0, 900.0)
    degrees = np.where(np.isnan(raw), np.nan, (340.0 + 7.0 * np.arange(raw.size)) % 360.0)

    def outcome(edges: list[int]) -> tuple[Floats, Floats, Floats, float | None, float | None]:
        at = sorted({e for e in edges if e < raw.size})
        channel, angles = spot(limits=PositionLimits(-5e-3, 5e-3, 200.0)), tilt()
        parts = zip(*(np.split(column, at) for column in (time_s, raw, light, degrees)), strict=True)
        got = [
            (*channel.take(t, r, lit, float(t[-1])), angles.take(t, d, float(t[-1])))
            for t, r, lit, d in parts
        ]
        position, good, angle = (np.concatenate(column) for column in zip(*got, strict=True))
        return position, good, angle, channel.value, channel.noise

    whole, parts = outcome([]), outcome(cuts)
    for a, b in zip(whole[:3], parts[:3], strict=True):
        assert np.array_equal(a, b, equal_nan=True) or np.allclose(a, b, atol=1e-12, equal_nan=True)
    assert whole[3] == parts[3]
    assert (whole[4] is None) == (parts[4] is None)
    if whole[4] is not None:
        assert whole[4] == pytest.approx(parts[4])
