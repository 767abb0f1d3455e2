"""Moves when feet stand on the base, or bolts fill their holes: of one machine or of both."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from advice.posed import believed, pose_m
from livealign.advice.moves import FootPlane, Machine, Range
from livealign.advice.plan import Plan, constrained_plan
from livealign.advice.verdict import flex_plane
from livealign.errors import PersonError

MM = 1e-3
TOLERANCE = flex_plane(0.1, 0.5e-3)
NOTHING = np.zeros(4)
FREE = Range()


def base_bound(mm: float = 0.0) -> Range:
    """Feet that can come down by so much, the height of their shims."""
    return Range(low_m=-mm * MM)


def bolts(mm: float) -> Range:
    return Range(-mm * MM, mm * MM)


def motor(near: Range = FREE, far: Range = FREE, across: Range = FREE, *, stays: bool = False) -> Machine:
    return Machine(
        "motor", (FootPlane("near feet", 0.33, near, across), FootPlane("far feet", 0.75, far, across)), stays
    )


def pump(up: Range = FREE, across: Range = FREE, *, stays: bool = True) -> Machine:
    return Machine(
        "pump", (FootPlane("near feet", -0.3, up, across), FootPlane("far feet", -0.7, up, across)), stays
    )


def planned(pump_: Machine, motor_: Machine, pose: np.ndarray, **options: object) -> Plan:
    return constrained_plan(pump_, motor_, believed(pose), NOTHING, TOLERANCE, units="mm", **options)  # type: ignore[arg-type]


def moved(plan: Plan) -> dict[str, tuple[float, float]]:
    return {f"{f.machine} {f.foot}": (f.up_m / MM, f.across_m / MM) for f in plan.moves.feet}


def test_a_free_machine_goes_exactly_where_it_is_wanted() -> None:
    plan = planned(pump(), motor(), pose_m(up_mm=0.2, rise=-0.4, right_mm=0.1), aim=0.0)
    assert plan.which == "movable"
    found = moved(plan)
    assert found["motor near feet"] == pytest.approx((-0.2 + 0.4 * 0.33, -0.1), abs=1e-5)
    assert found["motor far feet"] == pytest.approx((-0.2 + 0.4 * 0.75, -0.1), abs=1e-5)
    assert plan.probability == 1.0
    assert plan.words[1] == "motor, near feet: remove 0.07 mm, 0.10 mm toward 9 o'clock."


def test_what_is_within_the_aim_is_left_alone() -> None:
    plan = planned(pump(), motor(), pose_m(up_mm=0.02))
    assert (plan.moves.total_m, plan.moves.reached) == (0.0, "within aim")
    assert plan.words[1:] == ("motor, near feet: leave as it is.", "motor, far feet: leave as it is.")


def test_a_motor_on_its_base_has_the_pump_raised() -> None:
    """The motor stands 0.5 mm high with nothing under its feet: by hand the pump comes up by as much."""
    high = pose_m(up_mm=0.5)
    stuck = planned(pump(), motor(base_bound(), base_bound()), high)
    assert stuck.moves.reached == "out of reach"
    assert stuck.words[0].startswith("Out of reach: the best that can be had is ")
    assert "What binds: motor, near feet: cannot go down." in stuck.words
    plan = planned(pump(stays=False), motor(base_bound(), base_bound()), high, aim=0.0)
    assert plan.which == "stationary"
    assert all(m == pytest.approx((0.5, 0.0), abs=1e-5) for m in moved(plan).values())
    assert plan.words[1] == "pump, near feet: add 0.50 mm."


def test_both_machines_share_a_move_that_neither_can_make_alone() -> None:
    """Sideways 0.8 mm, with bolts that leave 0.5 mm at the pump and at the motor; by hand.

    The motor alone: its near feet go the whole 0.5, which leaves 0.3; its far feet go u less, so that it turns. The flex
    planes are then at 0.3 - (2/3) u and 0.3 - (0.38/0.42) u, alike in size at u = 0.6 / (2/3 + 0.38/0.42).

    Both, exactly: with the motor's line a + b x the pump's is a + 0.8 + b x, and the four feet are alike in size, L, when
    a + 0.33 b = -L, a + 0.75 b = L and a + 0.8 - 0.3 b = L: b = 2 L / 0.42, so 2 L = 0.8 - 3 L and L = 0.16.
    """
    away = pose_m(right_mm=0.8)
    alone = planned(pump(), motor(across=bolts(0.5)), away)
    u = 0.6 / (2.0 / 3.0 + 0.38 / 0.42)
    assert alone.moves.reached == "within tolerance"
    assert max(alone.moves.shares) == pytest.approx((0.3 - 2.0 / 3.0 * u) / 0.05, rel=2e-3)
    assert "motor, near feet: can go 0.50 mm toward 9 o'clock, no further" in alone.moves.binding
    plan = planned(
        pump(across=bolts(0.5), stays=False), motor(across=bolts(0.5)), away, aim=0.0, by="largest"
    )
    assert plan.which == "both"
    assert plan.moves.largest_m == pytest.approx(0.16 * MM, abs=1e-7)


def test_three_foot_planes_are_one_machine_and_one_plane_cannot_tilt() -> None:
    three = Machine("fan", tuple(FootPlane(n, x) for n, x in (("a", 0.3), ("b", 0.6), ("c", 0.9))))
    found = moved(planned(pump(), three, pose_m(up_mm=0.3, rise=0.5), aim=0.0))
    up = [found[f"fan {n}"][0] for n in "abc"]
    assert up == pytest.approx([-0.45, -0.6, -0.75], abs=1e-5)
    one = Machine("fan", (FootPlane("foot", 0.3),))
    plan = planned(pump(), one, pose_m(up_mm=0.3, rise=0.4))
    # Its slope stays: at best it is 0.02 mm on either side of the coupling, of 0.05 mm.
    assert max(plan.moves.shares) == pytest.approx(0.5, abs=1e-3)
    assert min(planned(pump(), one, pose_m(rise=0.4), aim=0.0).moves.shares) == pytest.approx(0.4, rel=2e-3)


def test_what_cannot_be_planned_is_said() -> None:
    unknown = believed(NOTHING, observable=(True, True, False, False))
    with pytest.raises(PersonError, match="the pose is not known"):
        constrained_plan(pump(), motor(), unknown, NOTHING, TOLERANCE, units="mm")
    with pytest.raises(PersonError, match="both machines have to stay"):
        planned(pump(), motor(stays=True), NOTHING)
    three = Machine(
        "fan",
        (
            FootPlane("a", 0.3, Range(1e-3)),
            FootPlane("b", 0.6, Range(high_m=0.0)),
            FootPlane("c", 0.9, Range(1e-3)),
        ),
    )
    with pytest.raises(PersonError, match="contradicts itself"):
        planned(pump(), three, NOTHING)


OFF = st.integers(-25, 25).map(lambda n: n / 50)
PLAY = st.integers(0, 8).map(lambda n: n / 20)
STEP_MM = 0.02
TO_POSE = np.linalg.inv([[1.0, 0.33], [1.0, 0.75]])


@settings(max_examples=15)
@given(OFF, OFF, PLAY, st.sampled_from(["total", "largest"]))
def test_no_moves_on_a_grid_are_better(up: float, rise: float, down: float, by: str) -> None:
    """Up and down alone: every pair of moves of the near and the far feet in steps of 0.02 mm."""
    plan = planned(pump(), motor(base_bound(down), base_bound(down)), pose_m(up_mm=up, rise=rise), by=by)
    steps = np.arange(-60, 61) * STEP_MM
    moves = np.stack([a.ravel() for a in np.meshgrid(steps, steps)])
    moves = moves[:, (moves >= -down - 1e-9).all(axis=0)]
    z, slope = np.array([[up], [rise]]) + TO_POSE @ moves
    share = np.maximum(np.abs(z + 0.05 * slope), np.abs(z - 0.05 * slope)) / 0.05
    size = np.abs(moves).sum(axis=0) if by == "total" else np.abs(moves).max(axis=0)
    found = (plan.moves.total_m if by == "total" else plan.moves.largest_m) / MM
    # Half a step at the near and the far feet changes the offset at a flex plane by so much.
    rounding = STEP_MM / 2 * (0.8 + 0.38) / 0.42 / 0.05
    if plan.moves.reached == "within aim":
        assert size[share <= 0.5 / 1.0013].min(initial=np.inf) >= found - 1e-5
        assert size[share <= 0.5 + rounding].min() <= found + 2 * STEP_MM
    else:
        assert share.min() >= max(plan.moves.shares) / 1.0013 - 1e-5
        assert share.min() <= max(plan.moves.shares) + rounding


@settings(max_examples=12)
@given(OFF, OFF, OFF, OFF, PLAY, PLAY)
def test_two_other_solvers_agree(
    up: float, rise: float, right: float, swing: float, down: float, play: float
) -> None:
    """The interior point method; and sequential quadratic programming, which takes the circle instead of the polygon."""
    pose = pose_m(up_mm=up, rise=rise, right_mm=right, swing=swing)
    machine = motor(base_bound(down), base_bound(down), bolts(play))
    one, other = (planned(pump(), machine, pose, method=m) for m in ("highs-ds", "highs-ipm"))
    assert other.moves.total_m == pytest.approx(one.moves.total_m, abs=2e-7)
    share = max(one.moves.shares)
    assert max(other.moves.shares) == pytest.approx(share, abs=1e-3)
    for foot in one.moves.feet:
        assert foot.up_m >= -down * MM - 1e-8
        assert abs(foot.across_m) <= play * MM + 1e-8

    planes = np.array([[1.0, 0.05], [1.0, -0.05]]) / 0.05

    def room(x: np.ndarray) -> np.ndarray:
        v, h = planes @ ([up, rise] + TO_POSE @ x[:2]), planes @ ([right, swing] + TO_POSE @ x[2:4])
        return x[4] - np.hypot(v, h + 1e-9)

    start = np.append(np.zeros(4), np.hypot(planes @ [up, rise], planes @ [right, swing]).max())
    bounds = [(-down, None)] * 2 + [(-play, play)] * 2 + [(0.0, None)]
    rule = {"type": "ineq", "fun": room}
    best = minimize(
        lambda x: x[4], start, bounds=bounds, constraints=rule, method="SLSQP", options={"ftol": 1e-9}
    )
    least = one if one.moves.reached != "within aim" else planned(pump(), machine, pose, aim=0.0)
    assert max(least.moves.shares) <= best.x[4] * 1.0013 + 1e-4
    if best.success and best.x[4] > 0.01:
        assert max(least.moves.shares) == pytest.approx(best.x[4], rel=0.02, abs=1e-3)


def test_a_pump_that_may_move_is_left_when_the_motor_can_do_it() -> None:
    plan = planned(pump(stays=False), motor(), pose_m(up_mm=0.5))
    assert plan.which == "movable"
    assert {f.machine for f in plan.moves.feet} == {"motor"}
