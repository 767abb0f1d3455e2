"""Shims at the bolts of a vertical machine's flange, and its shift."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from advice.posed import pose_m
from livealign.advice.flange import Flange, flange_plan
from livealign.errors import PersonError

MM = 1e-3
NOTHING = np.zeros(4)


def test_four_bolts_and_a_lean_toward_twelve() -> None:
    """By hand: 0.5 mm/m over a bolt circle of radius 200 mm is 0.1 mm up at 12 and down at 6 o'clock about the middle.

    It leans toward 12 going up, so 12 o'clock is lifted. At the joint, 0.6 m from the coupling, the axis is 0.3 mm off.
    """
    plan = flange_plan(Flange(4, 0.2, 0.6), pose_m(rise=0.5), NOTHING, "mm")
    assert plan.shims_m == pytest.approx((0.2 * MM, 0.1 * MM, 0.0, 0.1 * MM))
    assert plan.shift_m == pytest.approx((0.0, -0.3 * MM))
    assert plan.words == (
        "Bolt 1, at 0 deg: 0.20 mm.",
        "Bolt 2, at 90 deg: 0.10 mm.",
        "Bolt 3, at 180 deg: no shim.",
        "Bolt 4, at 270 deg: 0.10 mm.",
        "Then shift the flange 0.30 mm toward 6 o'clock.",
    )
    toward = flange_plan(Flange(4, 0.2, 0.6, away=False), pose_m(rise=0.5), NOTHING, "mm")
    assert toward.shims_m == pytest.approx((0.0, 0.1 * MM, 0.2 * MM, 0.1 * MM))


SLOPES = st.floats(-1.0, 1.0)


@given(
    st.integers(3, 24),
    st.floats(0.05, 1.5),
    st.floats(0.0, 6.0),
    st.builds(pose_m, up_mm=SLOPES, rise=SLOPES, right_mm=SLOPES, swing=SLOPES),
    st.floats(0.1, 2.0),
)
def test_tilted_and_shifted_the_axis_is_where_it_is_wanted(
    bolts: int, radius: float, first: float, pose: np.ndarray, x: float
) -> None:
    """In space: the axis is turned about the joint by as much as the plane through the tops of the shims."""
    target = pose_m(up_mm=0.1, rise=-0.2, right_mm=0.3, swing=0.1)
    plan = flange_plan(Flange(bolts, radius, x, first), pose, target, "mm")
    assert min(plan.shims_m) == pytest.approx(0.0, abs=1e-12)
    at = first + 2 * np.pi * np.arange(bolts) / bolts
    tops = np.stack([plan.shims_m, radius * np.sin(at), radius * np.cos(at)], axis=1)
    middle = tops.mean(axis=0)
    normal = np.linalg.svd(tops - middle)[2][-1]
    normal *= np.sign(normal[0])
    # Flat before, its normal was x; the axis turns by as much as the normal does.
    slopes = pose[[1, 3]] + normal[1:] / normal[0]
    assert slopes == pytest.approx(target[[1, 3]], abs=1e-9)
    joint = pose[[0, 2]] + pose[[1, 3]] * x + plan.shift_m
    assert joint - slopes * x == pytest.approx(target[[0, 2]], abs=1e-9)


def test_shims_in_steps_leave_a_slope_that_is_told() -> None:
    """By hand: 0.13 and 0.065 mm become 0.15 and 0.05; tilt made (0.15 - 0) / 0.4 m instead of 0.13 / 0.4 m."""
    plan = flange_plan(
        Flange(4, 0.2, 0.5), pose_m(rise=0.325), NOTHING, "mm", step_m=0.05 * MM, thinnest_m=0.5 * MM
    )
    assert plan.shims_m == pytest.approx((0.65 * MM, 0.55 * MM, 0.5 * MM, 0.55 * MM))
    assert plan.slope_error == pytest.approx((0.0, 0.02 * MM / 0.4), abs=1e-12)
    with pytest.raises(PersonError, match="2 bolts"):
        flange_plan(Flange(2, 0.2, 0.5), NOTHING, NOTHING, "mm")
