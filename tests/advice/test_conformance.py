"""Does a pose conform, and how sure is that?"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from advice.posed import believed, pose_m
from livealign.advice.verdict import FLEX_PLANE_SOURCE, Criterion, flex_plane, judge, offset_angle
from livealign.model.rig import FloatArray
from livealign.snapshot import Verdict

APART = 0.2
FLEX = flex_plane(APART, 0.5e-3)  # API RP 686, 2nd ed. (2009), cl. 5.4.6.2: 0.5 mm/m at both flex planes
OWN = offset_angle(0.05e-3, 0.4e-3, "leaflet of the coupling's maker", "mm")
NOTHING = np.zeros(4)


def phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def verdict(criterion: Criterion, pose: FloatArray, u: FloatArray | float = 1e-9) -> Verdict:
    return judge(criterion, believed(pose, u), NOTHING, 0.95)


def at_plane(x_m: float, offset_m: float) -> FloatArray:
    """A pose with this vertical offset in one plane and none in the opposite one."""
    slope = offset_m / (2 * x_m)
    return np.array([0.0, 0.0, offset_m / 2, slope])


@pytest.mark.parametrize("x_m", [-APART / 2, APART / 2])
def test_exactly_on_the_limit_it_is_a_toss_up_at_either_flex_plane(x_m: float) -> None:
    pose = at_plane(x_m, 0.5e-3 * APART)
    on = verdict(FLEX, pose, np.array([1e-7, 1e-7, 1e-7, 1e-7]))
    assert on.probability == pytest.approx(0.5, abs=0.02)
    assert on.state == "undecided"
    assert on.used == pytest.approx(1.0)
    assert on.source == FLEX_PLANE_SOURCE
    assert "API RP 686" in on.source
    assert verdict(FLEX, 0.99 * pose).state == "conforming"
    assert verdict(FLEX, 1.01 * pose).state == "not conforming"


def test_the_flex_plane_that_bends_is_named() -> None:
    """An offset in the movable machine's flex plane bends the coupling in the stationary machine's."""
    assert "stationary" in verdict(FLEX, at_plane(APART / 2, 0.2e-3)).worst
    assert "movable" in verdict(FLEX, at_plane(-APART / 2, 0.2e-3)).worst


def test_a_pure_offset_and_a_pure_angle_reach_the_limit_where_they_should() -> None:
    """0.1 mm over 200 mm is 0.5 mm/m; a slope of 1 mm/m is 0.1 mm in planes 100 mm from the centre."""
    assert verdict(FLEX, pose_m(up_mm=0.1)).used == pytest.approx(1.0)
    assert verdict(FLEX, pose_m(rise=1.0)).used == pytest.approx(1.0)
    assert verdict(FLEX, pose_m(up_mm=0.1, rise=1.0)).used == pytest.approx(2.0)


@given(
    st.floats(-0.3, 0.3),
    st.floats(-0.9, 0.9),
    st.floats(-0.3, 0.3),
    st.floats(-0.9, 0.9),
    st.floats(0.0, 6.3),
)
def test_turning_the_pose_around_the_axis_changes_nothing(
    up: float, rise: float, right: float, swing: float, angle: float
) -> None:
    pose = pose_m(up_mm=up, rise=rise, right_mm=right, swing=swing)
    sin, cos = math.sin(angle), math.cos(angle)
    turned = np.concatenate([cos * pose[:2] + sin * pose[2:], cos * pose[2:] - sin * pose[:2]])
    for criterion in (FLEX, OWN):
        one, two = (verdict(criterion, p, 2e-6) for p in (pose, turned))
        assert two.used == pytest.approx(one.used, abs=2e-4)
        assert two.probability == pytest.approx(one.probability, abs=0.02)


@pytest.mark.parametrize("z", [-2.5, -1.0, 0.0, 0.5, 1.0, 1.645, 3.0])
def test_a_single_direction_far_from_zero_conforms_with_phi(z: float) -> None:
    """JCGM 106: the one-sided conformance probability is Phi((T - y) / u)."""
    u = 4e-6
    y = 0.05e-3 - z * u
    got = verdict(OWN, np.array([0.0, 0.0, y, 0.0]), np.array([1e-9, 1e-9, u, 1e-9]))
    assert got.probability == pytest.approx(phi(z), abs=0.015)


def test_near_zero_the_length_is_not_taken_for_a_deviation() -> None:
    """u of 20 um each way on a limit of 50 um: inside with 1 - exp(-r^2/2), r = 2.5 (Rayleigh)."""
    u = 20e-6
    got = verdict(OWN, NOTHING, np.array([u, 1e-9, u, 1e-9]))
    assert got.probability == pytest.approx(1 - math.exp(-0.5 * 2.5**2), abs=0.01)
    assert got.used == 0.0


def test_offset_and_angle_count_each_for_itself() -> None:
    assert verdict(OWN, pose_m(up_mm=0.03, right_mm=0.04)).used == pytest.approx(1.0)
    assert verdict(OWN, pose_m(rise=0.24, swing=0.32)).used == pytest.approx(1.0)
    far = verdict(OWN, pose_m(up_mm=0.049, rise=0.8))
    assert far.state == "not conforming"
    assert far.used == pytest.approx(2.0)
    assert far.worst.startswith("angle")
    assert "leaflet" in far.source
    assert "0.05 mm" in far.limit
    assert "0.4 mm/m" in far.limit
    assert verdict(OWN, pose_m(up_mm=0.049, rise=0.39)).state == "conforming"


def test_in_inches_limits_are_said_in_mils() -> None:
    said = verdict(offset_angle(3 * 25.4e-6, 0.5e-3, "", "inch"), NOTHING)
    assert "3 mil" in said.limit
    assert "0.5 mil/in" in said.limit
    assert said.source == "job file"


def test_deviations_are_from_the_target() -> None:
    target = pose_m(up_mm=-0.3, rise=0.8, right_mm=0.1, swing=-0.4)
    assert judge(FLEX, believed(target), target, 0.95).used == pytest.approx(0.0)
    assert judge(FLEX, believed(NOTHING), target, 0.95).state == "not conforming"


def test_more_confidence_asked_is_less_decided() -> None:
    u = 4e-6
    belief = believed(
        np.array([0.0, 0.0, 0.05e-3 - 2.0 * u, 0.0]), np.array([1e-9, 1e-9, u, 1e-9])
    )  # P = 0.977
    assert judge(OWN, belief, NOTHING, 0.95).state == "conforming"
    assert judge(OWN, belief, NOTHING, 0.99).state == "undecided"


def test_a_pose_that_is_not_wholly_known_gets_no_verdict() -> None:
    none = judge(FLEX, believed(NOTHING, observable=(True, True, True, False)), NOTHING, 0.95)
    assert (none.state, none.probability, none.used, none.worst) == ("not known", None, None, "")
    assert none.limit
    assert none.source


def test_the_same_belief_gets_the_same_verdict_to_the_bit() -> None:
    belief = believed(pose_m(up_mm=0.07, rise=0.3), 20e-6)
    assert judge(FLEX, belief, NOTHING, 0.95) == judge(FLEX, belief, NOTHING, 0.95)
