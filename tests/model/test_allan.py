"""How far averaging helps: against NIST's test suite, a second implementation, and noise whose answer is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.model.allan import allan_deviation, drift_floor, octaves


def nist_suite() -> np.ndarray:
    """The 1000-point test suite of NIST SP 1065 (W. J. Riley, 2008)."""
    n = [1234567890]
    while len(n) < 1000:
        n.append(16807 * n[-1] % 2147483647)
    return np.array(n) / 2147483647


@pytest.mark.parametrize(("size", "published"), [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)])
def test_the_overlapping_deviation_is_that_of_nist(size: int, published: float) -> None:
    # NIST SP 1065, table of the 1000-point suite.
    assert allan_deviation(nist_suite(), size) == pytest.approx(published, rel=2e-7)


@pytest.mark.parametrize(("size", "published"), [(1, 2.922319e-1), (10, 9.965736e-2), (100, 3.897804e-2)])
def test_of_means_that_do_not_overlap_it_is_the_plain_deviation(size: int, published: float) -> None:
    # NIST SP 1065, same table. Adjacent means taken first leave nothing to overlap.
    means = nist_suite().reshape(-1, size).mean(axis=1)
    assert allan_deviation(means, 1) == pytest.approx(published, rel=2e-7)


def test_every_octave_agrees_with_a_second_implementation() -> None:
    # allantools 2024.6: oadev(suite, rate=1.0, data_type="freq", taus=[1, 2, 4, ..., 256]).
    theirs = [
        2.922318781e-01,
        2.010160422e-01,
        1.447913072e-01,
        1.057038501e-01,
        6.191477842e-02,
        4.808214262e-02,
        3.623721299e-02,
        2.767385582e-02,
        1.028221764e-02,
    ]
    assert octaves(1000) == (1, 2, 4, 8, 16, 32, 64, 128)
    ours = [allan_deviation(nist_suite(), 2**k) for k in range(9)]
    assert ours == pytest.approx(theirs, rel=1e-9)


def test_white_noise_goes_on_falling_to_the_end_of_the_record() -> None:
    noise = np.random.default_rng(1).normal(0.0, 2e-6, 8192)
    least, tau_s = drift_floor(noise, 0.01)
    assert tau_s == pytest.approx(20.48, rel=0.51)  # the longest that counts, or by chance the one before
    assert least == pytest.approx(2e-6 / np.sqrt(tau_s / 0.01), rel=0.5)


def test_a_steady_drift_sets_the_floor_where_theory_puts_it() -> None:
    # White noise sd and drift d a reading: sd^2/m + d^2 m^2 / 2 (NIST SP 1065), least where m^3 = (sd/d)^2.
    rng = np.random.default_rng(2)
    sd, drift = 2e-6, 2e-6 / 512.0  # m = 64
    readings = rng.normal(0.0, sd, 16384) + drift * np.arange(16384)
    least, tau_s = drift_floor(readings, 0.1)
    assert tau_s == pytest.approx(6.4)
    assert least == pytest.approx(np.sqrt(sd**2 / 64 + (drift * 64) ** 2 / 2), rel=0.05)


def test_a_sensor_that_wanders_is_best_averaged_briefly() -> None:
    # A random walk of step s gives s^2 m / 3 beside sd^2/m (NIST SP 1065): least where m = sqrt(3) sd/s.
    rng = np.random.default_rng(3)
    sd, step = 1.0, np.sqrt(3.0) / 32.0
    readings = rng.normal(0.0, sd, 32768) + np.cumsum(rng.normal(0.0, step, 32768))
    least, tau_s = drift_floor(readings, 1.0)
    assert tau_s in {16.0, 32.0, 64.0}  # the least is flat
    assert least == pytest.approx(np.sqrt(2.0 * sd**2 / 32), rel=0.2)


@given(st.integers(0, 2**32 - 1), st.integers(8, 300), st.floats(-1e3, 1e3), st.floats(0.1, 10.0))
def test_a_constant_changes_nothing_and_the_unit_only_the_figure(
    seed: int, n: int, constant: float, unit: float
) -> None:
    values = np.random.default_rng(seed).normal(size=n)
    least, tau_s = drift_floor(values, 0.5)
    shifted, scaled = drift_floor(values + constant, 0.5), drift_floor(values * unit, 0.5)
    assert shifted == pytest.approx((least, tau_s), rel=1e-6)
    assert scaled == pytest.approx((unit * least, tau_s), rel=1e-9)


def test_readings_that_repeat_themselves_have_no_floor() -> None:
    assert drift_floor(np.full(64, 0.125), 0.1) == (0.0, 0.1)


def test_too_little_to_judge_is_said() -> None:
    with pytest.raises(ValueError, match="3 readings are too few"):
        drift_floor(np.zeros(3), 0.1)
    with pytest.raises(ValueError, match="do not make two means of 3"):
        allan_deviation(np.zeros(5), 3)
    with pytest.raises(ValueError, match="do not make two means of 0"):
        allan_deviation(np.zeros(5), 0)
    with pytest.raises(ValueError, match="must be positive"):
        drift_floor(np.zeros(8), 0.0)
    assert octaves(4) == (1,)
    assert octaves(3) == ()
