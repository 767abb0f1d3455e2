"""The least-squares solver against certified values of NIST's Statistical Reference Datasets (public domain)."""

import numpy as np
import pytest

from livealign.model.linear import Solution, solve
from livealign.model.rig import Detector, FloatArray, RigModel

# fmt: off
# NIST StRD, nonlinear regression, ENSO: 168 monthly averages of a pressure difference.
ENSO = np.array([
    12.9, 11.3, 10.6, 11.2, 10.9, 7.5, 7.7, 11.7, 12.9, 14.3, 10.9, 13.7, 17.1, 14.0, 15.3, 8.5, 5.7, 5.5,
    7.6, 8.6, 7.3, 7.6, 12.7, 11.0, 12.7, 12.9, 13.0, 10.9, 10.4, 10.2, 8.0, 10.9, 13.6, 10.5, 9.2, 12.4,
    12.7, 13.3, 10.1, 7.8, 4.8, 3.0, 2.5, 6.3, 9.7, 11.6, 8.6, 12.4, 10.5, 13.3, 10.4, 8.1, 3.7, 10.7, 5.1,
    10.4, 10.9, 11.7, 11.4, 13.7, 14.1, 14.0, 12.5, 6.3, 9.6, 11.7, 5.0, 10.8, 12.7, 10.8, 11.8, 12.6, 15.7,
    12.6, 14.8, 7.8, 7.1, 11.2, 8.1, 6.4, 5.2, 12.0, 10.2, 12.7, 10.2, 14.7, 12.2, 7.1, 5.7, 6.7, 3.9, 8.5,
    8.3, 10.8, 16.7, 12.6, 12.5, 12.5, 9.8, 7.2, 4.1, 10.6, 10.1, 10.1, 11.9, 13.6, 16.3, 17.6, 15.5, 16.0,
    15.2, 11.2, 14.3, 14.5, 8.5, 12.0, 12.7, 11.3, 14.5, 15.1, 10.4, 11.5, 13.4, 7.5, 0.6, 0.3, 5.5, 5.0,
    4.6, 8.2, 9.9, 9.2, 12.5, 10.9, 9.9, 8.9, 7.6, 9.5, 8.4, 10.7, 13.6, 13.7, 13.7, 16.5, 16.8, 17.1, 15.4,
    9.5, 6.1, 10.1, 9.3, 5.3, 11.2, 16.6, 15.6, 12.0, 11.5, 8.6, 13.8, 8.7, 8.6, 8.6, 8.7, 12.8, 13.2, 14.0,
    13.4, 14.8,
])
# NIST StRD, linear regression, Norris: calibration of ozone monitors, (x, y).
NORRIS = np.array([
    (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1), (666.3, 668.5),
    (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3), (0.6, 0.1), (775.5, 778.1),
    (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8), (556.0, 557.7), (228.1, 228.3), (995.8,
    998.0), (887.6, 888.8), (120.2, 119.6), (0.3, 0.3), (0.3, 0.6), (556.8, 557.6), (339.1, 339.3), (887.2,
    888.0), (999.0, 998.5), (779.0, 778.9), (11.1, 10.2), (118.3, 117.6), (229.2, 228.9), (669.1, 668.4),
    (448.9, 449.2), (0.5, 0.2),
])
# fmt: on

# ENSO's certified values and standard deviations, b1 to b9.
CERTIFIED = np.array(
    [
        10.510749193,
        3.0762128085,
        0.53280138227,
        44.311088700,
        -1.6231428586,
        0.52554493756,
        26.887614440,
        0.21232288488,
        1.4966870418,
    ]
)
CERTIFIED_SD = np.array(
    [
        0.17488832467,
        0.24310052139,
        0.24354686618,
        0.94408025976,
        0.28078369611,
        0.48073701119,
        0.41612939130,
        0.51460022911,
        0.25434468893,
    ]
)
MONTH = np.arange(1.0, 169.0)


def harmonic(period: float) -> FloatArray:
    """(n, 2) cosine and sine of the months."""
    angle = 2.0 * np.pi * MONTH / period
    return np.column_stack([np.cos(angle), np.sin(angle)])


def enso_rows(annual: FloatArray) -> FloatArray:
    """(n, 7) design of ENSO with both long periods at their certified values."""
    return np.concatenate(
        [np.ones((MONTH.size, 1)), annual, harmonic(CERTIFIED[3]), harmonic(CERTIFIED[6])], axis=1
    )


def residual_sd(a: FloatArray, b: FloatArray, seen: Solution) -> float:
    """Residual standard deviation."""
    residual = b - a @ seen.x
    return float(np.sqrt(residual @ residual / (b.size - seen.rank)))


def test_enso_with_its_periods_given_is_solved_to_eight_digits() -> None:
    a = enso_rows(harmonic(12.0))
    seen = solve(a, ENSO, np.ones(ENSO.size))
    assert all(seen.observable)
    assert seen.x == pytest.approx(CERTIFIED[[0, 1, 2, 4, 5, 7, 8]], rel=1e-8)
    assert np.sum(np.square(ENSO - a @ seen.x)) == pytest.approx(788.53978668, rel=1e-10)


def test_ensos_nine_certified_standard_deviations_are_those_of_the_fit_linearised_there() -> None:
    # All nine parameters: the design is the derivative at the certified values, and nothing is left to correct.
    b = CERTIFIED
    a = enso_rows(harmonic(12.0))
    for period, (by_cos, by_sin) in ((3, b[4:6]), (6, b[7:9])):
        angle = 2.0 * np.pi * MONTH / b[period]
        slope = (by_cos * np.sin(angle) - by_sin * np.cos(angle)) * angle / b[period]
        a = np.insert(a, period, slope, axis=1)
    value = enso_rows(harmonic(12.0)) @ b[[0, 1, 2, 4, 5, 7, 8]]
    seen = solve(a, ENSO - value, np.ones(ENSO.size))
    sd = residual_sd(a, ENSO - value, seen)
    assert sd == pytest.approx(2.2269642403, rel=1e-10)
    assert sd * np.sqrt(np.diag(seen.cov)) == pytest.approx(CERTIFIED_SD, rel=1e-8)
    assert np.all(np.abs(seen.x) < 1e-6 * CERTIFIED_SD)


def test_fourteen_turns_of_twelve_stations_are_a_year_by_the_month() -> None:
    # A detector in the coupling's plane reads c + Y0 sin + Z0 cos: ENSO's annual cycle is such a sweep.
    # Figures computed by plain normal equations outside this program.
    detector = Detector("month", 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0, 0)
    model = RigModel((detector,), np.zeros((3, 3)), 1, np.array([1.0]), (0,))
    annual = harmonic(12.0)
    a = model.rows(0, annual[:, 1], annual[:, 0])
    seen = solve(a, ENSO, np.ones(ENSO.size))
    assert seen.observable == (True, True, False, True, False)
    c, across, _, up, _ = seen.x
    assert [c, up, across] == pytest.approx([10.64166667, 3.05288721, 0.48018313], abs=6e-9)
    sd = residual_sd(a, ENSO, seen)
    assert sd == pytest.approx(2.65235157, abs=6e-9)
    errors = sd * np.sqrt(np.diag(seen.cov))[[0, 3, 1]]
    assert errors == pytest.approx([0.20463337, 0.28939528, 0.28939528], abs=6e-9)


def test_norris_is_solved_to_eleven_digits() -> None:
    x, y = NORRIS.T
    a = np.column_stack([np.ones(x.size), x])
    seen = solve(a, y, np.ones(x.size))
    assert seen.x == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    sd = residual_sd(a, y, seen)
    assert sd == pytest.approx(0.884796396144373, rel=1e-11)
    errors = sd * np.sqrt(np.diag(seen.cov))
    assert errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-11)


def test_a_unit_of_any_size_gives_the_same_digits() -> None:
    # The solver scales its columns: metres and radians beside constants must not cost figures.
    x, y = NORRIS.T
    a = np.column_stack([np.ones(x.size), 1e-9 * x])
    seen = solve(a, 1e-6 * y, np.full(x.size, 1e12))
    assert seen.x == pytest.approx([-0.262323073774029e-6, 1.00211681802045e3], rel=1e-11)
