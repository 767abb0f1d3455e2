"""Three machines in a row on one base: turbine, gear, generator."""

import numpy as np
import pytest

from advice.posed import believed, pose_m
from livealign.advice.moves import FootPlane, Machine, Range
from livealign.advice.train import Coupling, TrainPlan, train_plan
from livealign.advice.verdict import flex_plane
from livealign.errors import PersonError
from livealign.model.rig import FloatArray

MM = 1e-3
TOLERANCE = flex_plane(0.1, 0.5e-3)
NOTHING = np.zeros(4)
A = Machine("A", (FootPlane("far", -1.5), FootPlane("near", -0.5)))
B = Machine("B", (FootPlane("near", 0.5), FootPlane("far", 1.5)))
C = Machine("C", (FootPlane("near", 2.5), FootPlane("far", 3.5)))


def coupling(
    name: str, x_m: float, pose: FloatArray, *, u: FloatArray | float = 1e-9, after: bool = True
) -> Coupling:
    return Coupling(name, x_m, believed(pose, u), NOTHING, TOLERANCE, after)


def up(plan: TrainPlan) -> dict[str, float]:
    return {f"{f.machine} {f.foot}": round(f.up_m / MM, 4) for f in plan.moves.feet}


def test_the_one_bent_the_other_way_is_moved() -> None:
    """By hand: A lies level; at x = 0 B rises from it by 0.1 mm/m; at x = 2 C goes on along B's line, z = 0.1 x.

    A stays: B comes down by 0.1 x, 0.05 and 0.15 mm at its feet, C by 0.25 and 0.35 mm: largest 0.35.
    B or C stays: only A moves, onto z = 0.1 x: 0.15 and 0.05 mm down at its feet: largest 0.15.
    """
    bent = (coupling("1", 0.0, pose_m(rise=0.1)), coupling("2", 2.0, NOTHING))
    plan = train_plan((A, B, C), bent, "mm", aim=0.0)
    assert plan.stays == "B"
    assert up(plan) == {"A far": -0.15, "A near": -0.05, "C near": 0.0, "C far": 0.0}
    assert plan.probabilities == (1.0, 1.0)
    assert up(train_plan((A, B, C), bent, "mm", aim=0.0, stays="A")) == {
        "B near": -0.05, "B far": -0.15, "C near": -0.25, "C far": -0.35,
    }  # fmt: skip
    assert plan.words[1].startswith("A, far: remove 0.15 mm (+- 0.01 mm)")


def test_a_machine_in_the_middle_comes_down_and_cannot_when_it_is_on_the_base() -> None:
    """By hand: B stands 0.2 mm high between A and C, in line themselves. Lowering B takes 0.4 mm in all, raising both 0.8.

    On the base B could still be tilted into tolerance, by raising its far feet; bolted to a pipe it cannot.
    """
    high = (coupling("1", 0.0, pose_m(up_mm=0.2)), coupling("2", 2.0, pose_m(up_mm=-0.2)))
    plan = train_plan((A, B, C), high, "mm", aim=0.0)
    assert plan.moves.total_m == pytest.approx(0.4 * MM, abs=1e-7)
    assert {k: v for k, v in up(plan).items() if v} == {"B near": -0.2, "B far": -0.2}
    stuck = Machine("B", tuple(FootPlane(f.name, f.x_m, Range(low_m=0.0)) for f in B.feet))
    plan = train_plan((A, stuck, C), high, "mm", aim=0.0)
    assert {k: v for k, v in up(plan).items() if v} == dict.fromkeys(
        ("A far", "A near", "C near", "C far"), 0.2
    )
    plan = train_plan((A, stuck, C), high, "mm", aim=0.0, stays="A")
    assert plan.moves.reached == "within tolerance"
    piped = Machine("B", tuple(FootPlane(f.name, f.x_m, Range(0.0, 0.0)) for f in B.feet))
    plan = train_plan((A, piped, C), high, "mm", aim=0.0, stays="A")
    assert plan.moves.reached == "out of reach"
    assert any("What binds: B, near: cannot go down" in line for line in plan.words)


def test_measured_from_the_other_end_it_is_the_same_row() -> None:
    """B's viewer behind A sees 3 o'clock and the direction of the shafts turned round: A against B instead of B against A.

    By hand: B lies along y = 0.1 + 0.2 x, z = 0.3 - 0.4 x in the row (mm, m), A along 0. Behind A, x and y turn round: A
    against B is y = 0.1 - 0.2 x, z = -0.3 - 0.4 x.
    """
    after = coupling("1", 0.0, pose_m(right_mm=0.1, swing=0.2, up_mm=0.3, rise=-0.4))
    before = coupling("1", 0.0, pose_m(right_mm=0.1, swing=-0.2, up_mm=-0.3, rise=-0.4), after=False)
    assert before.deviation == pytest.approx(after.deviation)
    one, other = (train_plan((A, B), (c,), "mm", stays="A", aim=0.0) for c in (after, before))
    assert up(one) == up(other) == {"B near": -0.1, "B far": 0.3}
    assert [f.across_m for f in one.moves.feet] == pytest.approx([-0.2 * MM, -0.4 * MM], abs=1e-8)


def test_uncertainty_adds_up_along_the_row() -> None:
    """By hand: u of 3 um and 4 um/m at each coupling; C's far feet are 3.5 m from the first, 1.5 m from the second."""
    u = np.array([3e-6, 4e-6, 3e-6, 4e-6])
    row = (coupling("1", 0.0, NOTHING, u=u), coupling("2", 2.0, NOTHING, u=u))
    plan = train_plan((A, B, C), row, "mm", stays="A")
    assert plan.moves.total_m == 0.0
    known = {(k.machine, k.foot): k.up_u_m for k in plan.known}
    assert known["B", "near"] == pytest.approx(1e-6 * np.hypot(3.0, 4.0 * 0.5))
    assert known["C", "far"] == pytest.approx(1e-6 * np.sqrt(9.0 + 14.0**2 + 9.0 + 6.0**2))


def test_each_coupling_ends_within_its_own_aim() -> None:
    """With the aim of half the tolerance less is moved than for an exact line, and no coupling is left worse than that."""
    row = (
        coupling("1", 0.0, pose_m(up_mm=0.3, rise=-0.2)),
        coupling("2", 2.0, pose_m(right_mm=-0.2, rise=0.6)),
    )
    exact, near = (train_plan((A, B, C), row, "mm", aim=aim) for aim in (0.0, 0.5))
    assert near.moves.largest_m < exact.moves.largest_m
    assert max(near.moves.shares) <= 0.5 + 1e-4
    assert near.moves.reached == "within aim"


def test_what_is_missing_is_said() -> None:
    row = (coupling("1", 0.0, NOTHING),)
    with pytest.raises(PersonError, match='no machine is called "D"'):
        train_plan((A, B), row, "mm", stays="D")
    unknown = Coupling("2", 0.0, believed(NOTHING, observable=(False,) * 4), NOTHING, TOLERANCE)
    with pytest.raises(PersonError, match="2: the pose is not known"):
        train_plan((A, B), (unknown,), "mm")
