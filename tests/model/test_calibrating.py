"""Calibration estimates against certified figures, closed forms, and machines whose truth is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from livealign.model.bracket_sag import bracket_sag
from livealign.model.detector_calibration import NotCalibratableError, calibrate_detector
from livealign.model.rest import crept, rest_noise
from livealign.model.reversal import reverse, turned
from livealign.model.rig import FloatArray
from livealign.model.straight_line import chance_of_f, directions, straight_line
from model.test_gum import H3_CORRECTION, H3_TEMPERATURE
from model.test_nist import NORRIS

UP_AND_DOWN = np.concatenate([np.arange(-2.0, 2.1, 0.5), np.arange(1.5, -2.1, -0.5)])


def bench(
    rng: np.random.Generator,
    *,
    bend: str = "none",
    gain: float = 1.03,
    sign: float = -1.0,
    play: float = 0.0,
    noise: float = 0.002,
    gauge_u: float = 0.002,
) -> tuple[FloatArray, FloatArray]:
    """A detector on a micrometer whose screw is off by a share that leaves its ends off by gauge_u each."""
    set_to = UP_AND_DOWN
    true = set_to * (1.0 + rng.normal(0.0, np.sqrt(2.0) * gauge_u / np.ptp(set_to)))
    seen = {"none": true, "cubic": true + 0.003 * true**3, "wavy": true + 0.02 * np.sin(3.0 * true)}[bend]
    raw = sign * gain * seen + 0.7 + 0.5 * play * directions(set_to)
    return set_to, raw + rng.normal(0.0, noise, set_to.size)


def test_norris_ozone_monitors() -> None:
    # NIST StRD, linear regression, Norris: certified values.
    line = straight_line(*NORRIS.T)
    assert (line.intercept, line.slope) == pytest.approx((-0.262323073774029, 1.00211681802045), rel=1e-11)
    assert (line.u_intercept, line.u_slope) == pytest.approx(
        (0.232818234301152, 0.429796848199937e-3), rel=1e-11
    )
    assert (line.scatter, line.freedom) == (pytest.approx(0.884796396144373, rel=1e-11), 34)


def test_gums_thermometer() -> None:
    # JCGM 100:2008, H.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), s 0.0035.
    line = straight_line(H3_TEMPERATURE - 20.0, H3_CORRECTION)
    assert (line.intercept, line.u_intercept) == (
        pytest.approx(-0.1712, abs=5e-5),
        pytest.approx(0.0029, abs=5e-5),
    )
    assert (line.slope, line.u_slope) == (pytest.approx(0.00218, abs=5e-6), pytest.approx(0.00067, abs=5e-6))
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)


@pytest.mark.parametrize("above", [1, 8])
@pytest.mark.parametrize("below", [3, 8, 1e9])
@pytest.mark.parametrize("ratio", [0.3, 3.0, 9.0])
def test_the_chance_of_a_ratio_of_variances(ratio: float, above: float, below: float) -> None:
    assert chance_of_f(ratio, above, below) == pytest.approx(stats.f.sf(ratio, above, below), abs=0.01)
    point = stats.f.isf(0.01, above, below)
    assert 0.009 < chance_of_f(point, above, below) < 0.015


def test_the_stated_uncertainty_of_a_gain_holds_in_95_of_100_calibrations() -> None:
    trials = 400
    held = straight = 0
    for seed in range(trials):
        found = calibrate_detector(*bench(np.random.default_rng(seed), play=0.006), 0.002)
        straight += found.shape == "straight"
        held += abs(found.straight_gain / 1.03 - 1.0) <= 1.96 * found.gain_u
    # Three standard deviations of a count; a straight detector is taken for bent in 1 of 100 cases at most.
    assert held / trials == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / trials))
    assert straight >= 0.97 * trials


def test_so_it_does_where_there_are_hardly_any_readings() -> None:
    trials = 300
    held = 0
    for seed in range(trials):
        rng = np.random.default_rng(seed)
        true = np.array([0.0, 1.0, 0.0])  # one degree of freedom: Student's k is 12.7
        found = calibrate_detector(true, 2.0 * true + rng.normal(0.0, 0.01, 3), 0.0)
        held += abs(found.straight_gain / 2.0 - 1.0) <= 1.96 * found.gain_u
    assert held / trials == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / trials))


@pytest.mark.parametrize(("bend", "shape"), [("cubic", "polynomial"), ("wavy", "table")])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bent_detector_is_straightened_and_no_more_than_needed(bend: str, shape: str, sign: float) -> None:
    true, raw = bench(np.random.default_rng(7), bend=bend, sign=sign, noise=0.0005, gauge_u=0.0005)
    found = calibrate_detector(true, raw, 0.0005)
    assert (found.shape, found.polarity, found.gain) == (shape, sign, 1.0)
    assert found.straight_chance is not None
    assert found.straight_chance < 0.01
    if found.polynomial is not None:
        straightened = found.polarity * np.polynomial.Polynomial(found.polynomial)(raw)
    else:
        points = np.array(found.table)
        straightened = found.polarity * np.interp(raw, *points.T)
    away = straightened - true
    assert np.abs(away - away.mean()).max() < 0.0025  # gauge and noise; 0.01 mm and more before
    assert found.worst < 0.2 * found.straight_worst


def test_play_is_told_apart_from_noise_and_does_not_pass_for_gain() -> None:
    found = calibrate_detector(*bench(np.random.default_rng(3), sign=1.0, play=0.02), 0.002)
    assert found.hysteresis == pytest.approx(0.02 / 1.03, abs=3.0 * (found.hysteresis_u or 0.0))
    assert found.scatter == pytest.approx(0.002, rel=0.6)
    # Up only through half of the steps: without the play in the fit, the gain would be off by 0.5 %.
    true = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 3.0, 2.0])
    lame = calibrate_detector(true, true + 0.02 * (directions(true) > 0), 0.0)
    assert lame.straight_gain == pytest.approx(1.0, abs=1e-9)


def test_what_says_nothing_is_refused_in_words() -> None:
    with pytest.raises(NotCalibratableError, match="two different positions"):
        calibrate_detector(np.ones(5), np.arange(5.0), 0.0)
    with pytest.raises(NotCalibratableError, match="up and down"):
        calibrate_detector(np.array([0.0, 1.0]), np.array([0.0, 1.0]), 0.0)
    with pytest.raises(NotCalibratableError, match="does not follow"):
        calibrate_detector(UP_AND_DOWN, np.random.default_rng(1).normal(size=UP_AND_DOWN.size), 0.0)
    once = calibrate_detector(np.arange(6.0), np.arange(6.0) ** 1.1, 0.001)
    assert (once.shape, once.straight_chance, once.scatter) == ("straight", None, None)


@given(
    zero=st.floats(-180.0, 179.9),
    level=st.floats(-5.0, 5.0),
    clockwise=st.booleans(),
    turns=st.integers(-2, 2),
    apart=st.integers(0, 1),
)
def test_reversal_finds_the_zero_whatever_the_level_is_off_by(
    zero: float, level: float, clockwise: bool, turns: int, apart: int
) -> None:
    s = 1.0 if clockwise else -1.0

    def raw(theta: float) -> float:
        return s * (theta - zero)

    # A sensor may show 359.9 or -0.1, and on another turn the second time.
    mounted = np.array([raw(level) + 360.0 * turns, raw(level)])
    end_for_end = np.array([raw(-level), raw(-level) + 360.0 * apart])
    change = turned(raw(level), raw(level + 15.0))
    found = reverse(mounted, end_for_end, change, reading_u_deg=0.1, square_u_deg=0.1)
    assert found.sense == ("clockwise" if clockwise else "counterclockwise")
    assert turned(found.zero_deg, zero) == pytest.approx(0.0, abs=1e-9)
    assert found.level_deg == pytest.approx(level, abs=1e-9)
    assert found.zero_u_deg >= 0.1


def test_sag_from_two_places_is_their_difference_and_from_a_turn_the_cosine() -> None:
    two = bracket_sag(np.radians([0.0, 180.0]), np.array([1.0, 0.92]), noise=0.002, bar_u=0.003)
    assert two.sag == pytest.approx(-0.08)
    assert two.u == pytest.approx(np.hypot(0.002 * np.sqrt(2.0), 0.003))
    assert two.sideways is None
    rng = np.random.default_rng(5)
    angle = np.linspace(0.0, 2.0 * np.pi, 400)
    held, trials = 0, 200
    for _ in range(trials):
        shown = 3.0 + 0.04 * np.cos(angle) - 0.01 * np.sin(angle) + rng.normal(0.0, 0.002, angle.size)
        turn = bracket_sag(angle, shown, noise=0.002, bar_u=0.0)
        held += abs(turn.sag + 0.08) <= 1.96 * turn.u
    assert held / trials == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / trials))
    assert turn.u == pytest.approx(2.0 * 0.002 * np.sqrt(2.0 / 400), rel=0.2)  # closed form of a full turn
    assert turn.sideways == pytest.approx(-0.02, abs=0.001)
    with pytest.raises(ValueError, match="12 and at 6"):
        bracket_sag(np.radians([80.0, 90.0, 100.0]), np.zeros(3), noise=0.002, bar_u=0.0)


def test_rest_tells_noise_floor_and_drift() -> None:
    rng = np.random.default_rng(2)
    time_s = 0.01 * np.arange(6000)
    quiet = rest_noise(time_s, rng.normal(0.0, 2.0, 6000))
    assert quiet.noise == pytest.approx(2.0, rel=0.05)
    assert quiet.falling
    assert not quiet.drifts
    # White noise and drift: the least where m^3 = (sd / drift)^2 (NIST SP 1065), here 0.64 s.
    drifting = rest_noise(time_s, rng.normal(0.0, 2.0, 6000) + 2.0 / 512.0 * np.arange(6000))
    assert drifting.floor_s == pytest.approx(0.64)
    assert drifting.drifts
    assert drifting.drift_per_s == pytest.approx(2.0 / 5.12, rel=0.02)
    coarse = rest_noise(time_s, np.where(np.arange(6000) % 1000, 5.0, 6.0))
    assert coarse.noise == pytest.approx(1.0 / np.sqrt(12.0))
    with pytest.raises(ValueError, match="too few"):
        rest_noise(time_s[:5], np.zeros(5))


def test_moving_while_it_is_read_is_noticed_and_noise_is_not() -> None:
    rng = np.random.default_rng(4)
    noise = rng.normal(0.0, 0.002, (300, 100))
    assert sum(crept(row, 0.0) is not None for row in noise) == 0
    assert crept(noise[0] + np.linspace(0.0, 0.02, 100), 0.002) == pytest.approx(0.0134, abs=0.002)
