"""Sensors that are not straight are straightened before anything else is done with their numbers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.stream.channel import PositionChannel, PositionLimits
from livealign.stream.linearity import Linearity, polynomial, table

CALIBRATION = [(-5.0, -4.62), (-2.5, -2.41), (0.0, 0.0), (2.5, 2.43), (5.0, 4.70)]


def test_a_table_is_exact_at_its_points_and_straight_between_them() -> None:
    raw, true = np.array(CALIBRATION).T
    got, outside = table(CALIBRATION)(raw)
    assert np.array_equal(got, true)
    assert not outside.any()
    between, _ = table(CALIBRATION)((raw[1:] + raw[:-1]) / 2)
    assert between == pytest.approx((true[1:] + true[:-1]) / 2, rel=1e-15)


def test_a_table_may_fall() -> None:
    got, outside = table([(0.0, 5.0), (10.0, -5.0)])(np.array([0.0, 2.5, 10.0]))
    assert got == pytest.approx([5.0, 2.5, -5.0])
    assert not outside.any()


def test_outside_the_table_is_noticed() -> None:
    got, outside = table(CALIBRATION)(np.array([-5.01, -5.0, 5.0, 5.01, np.nan]))
    assert outside.tolist() == [True, False, False, True, False]
    assert np.isnan(got[-1])


@given(
    st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=10),
    st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=20),
)
def test_a_polynomial_is_numpys(coefficients: list[float], raw: list[float]) -> None:
    got, outside = polynomial(coefficients)(np.array(raw))
    assert got == pytest.approx(np.polynomial.Polynomial(coefficients)(np.array(raw)), rel=1e-9, abs=1e-9)
    assert not outside.any()


def test_a_polynomial_that_overflows_is_no_number() -> None:
    got, _ = polynomial([0.0, 1.0, 1e300, -1e300])(np.array([1.0, 1e200, np.nan]))
    assert np.isfinite(got).tolist() == [True, False, False]


def channel(linearity: Linearity, *, scale: float = 1e-3, range_mm: float = np.inf) -> PositionChannel:
    limits = PositionLimits(least_m=-range_mm * 1e-3, greatest_m=range_mm * 1e-3)
    return PositionChannel("spot", "mm", 2e-6, scale=scale, limits=limits, linearity=linearity)


def test_gain_and_polarity_come_after_it() -> None:
    # The number falls when the spot moves outward, and grows 2 for 1: raw 5 is straightened to 4.70, true -2.35 mm.
    position, good = channel(table(CALIBRATION), scale=-1e-3 / 2.0).take(
        np.zeros(1), np.array([5.0]), None, 0.0
    )
    assert position == pytest.approx([-2.35e-3])
    assert good.all()


def test_what_lies_outside_is_clipped_and_flagged() -> None:
    bent = channel(table(CALIBRATION))
    _, good = bent.take(np.arange(3) / 100.0, np.array([0.1, 5.2, 0.1]), None, 0.02)
    assert good.tolist() == [True, False, True]
    assert "clipped" in bent.flags(0.02, still_since_s=np.inf)


def test_the_range_is_of_true_readings() -> None:
    bent = channel(polynomial([0.0, 1.0, 0.0, 0.1]), range_mm=4.0)
    _, good = bent.take(np.arange(2) / 100.0, np.array([2.5, 3.0]), None, 0.01)  # 4.06 and 5.7 mm
    assert not good.any()
    _, good = bent.take(np.arange(1) / 100.0, np.array([2.4]), None, 0.02)  # 3.78 mm
    assert good.all()
