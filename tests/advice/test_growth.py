"""Where the axis has to be while it is measured, so that it is in line when both machines are warm."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.advice.growth import NO_GROWTH, Growth, PlaneGrowth, cold_target, of_planes, warmed
from livealign.materials import EXPANSION_U

IN = 0.0254
MIL = 25.4e-6
F = 5.0 / 9.0


def test_a_published_example_of_growth() -> None:
    """R. B. McMillan, Rotating Machinery (2004), Example 8-3, pp. 138-141.

    .0063 mil/in/F; near legs 17 in, 78 to 106 F; far legs 22 in, 78 to 138 F. Growth 2.99 and 8.3 mil. The axis lies 2 and
    7 mil low at the legs: remove 1 mil at both.
    """
    alpha = 0.0063e-3 / F

    def legs(x_m: float, height: float, warmer: float) -> PlaneGrowth:
        return warmed(
            x_m,
            height_m=height * IN,
            warmer_k=warmer * F,
            warmer_u_k=0.0,
            expansion_per_k=alpha,
            expansion_u=EXPANSION_U,
            material="steel",
        )

    near, far = legs(0.4, 17.0, 28.0), legs(1.1, 22.0, 60.0)
    assert near.up_m / MIL == pytest.approx(2.9988)
    assert far.up_m / MIL == pytest.approx(8.316)
    wanted = cold_target(NO_GROWTH, movable=of_planes([near, far])).pose
    for x, lies in ((0.4, -2.0), (1.1, -7.0)):
        assert round((wanted[2] + wanted[3] * x) / MIL - lies) == -1


def test_what_both_machines_grow_alike_leaves_them_in_line() -> None:
    both = of_planes([PlaneGrowth(0.3, 1e-4, 1e-5), PlaneGrowth(0.8, 2e-4, 1e-5)])
    found = cold_target(NO_GROWTH, movable=both, stationary=both)
    assert found.pose == pytest.approx(np.zeros(4))
    # What is not known of the two is not the same thing: it adds up.
    assert found.cov == pytest.approx(2.0 * both.cov)


def test_a_wanted_pose_in_service_comes_on_top() -> None:
    wanted = Growth(np.array([1e-5, 0.0, 2e-5, 1e-4]), np.diag([0.0, 0.0, 1e-12, 0.0]))
    grown = Growth(np.array([0.0, 0.0, 5e-5, 0.0]), np.diag([0.0, 0.0, 4e-12, 0.0]))
    found = cold_target(wanted, movable=grown)
    assert found.pose == pytest.approx([1e-5, 0.0, -3e-5, 1e-4])
    assert found.cov[2, 2] == pytest.approx(5e-12)


def test_one_error_of_the_material_lifts_all_feet_together() -> None:
    """By hand: equal growth g at 0.5 and 1.5 m, 5 % common: u of the offset is 0.05 g, of the slope 0."""
    g = 2e-4
    common = [PlaneGrowth(x, g, 0.0, shared_m=0.05 * g, shared="iron") for x in (0.5, 1.5)]
    assert np.sqrt(np.diag(of_planes(common).cov)) == pytest.approx([0.0, 0.0, 0.05 * g, 0.0])
    # Independent: offset 1.5 a - 0.5 b, slope b - a.
    own = [PlaneGrowth(x, g, 0.05 * g) for x in (0.5, 1.5)]
    assert np.sqrt(np.diag(of_planes(own).cov)[2:]) == pytest.approx(
        [0.05 * g * np.sqrt(2.5), 0.05 * g * np.sqrt(2.0)]
    )
    with pytest.raises(ValueError, match="no slope"):
        of_planes(own[:1])


METRES = st.floats(-1e-3, 1e-3)


@given(METRES, METRES, METRES, METRES, st.floats(0.1, 1.0), st.floats(0.1, 2.0))
def test_warm_it_stands_where_it_is_wanted(
    up: float, more: float, aside: float, other: float, near: float, apart: float
) -> None:
    planes = [
        PlaneGrowth(near, up, 0.0, across_m=aside),
        PlaneGrowth(near + apart, up + more, 0.0, across_m=other),
    ]
    cold = cold_target(NO_GROWTH, movable=of_planes(planes)).pose
    for p in planes:
        assert cold[2] + cold[3] * p.x_m + p.up_m == pytest.approx(0.0, abs=1e-12)
        assert cold[0] + cold[1] * p.x_m + p.across_m == pytest.approx(0.0, abs=1e-12)
