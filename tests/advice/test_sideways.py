"""A sideways move in small steps, one end at a time, with what the dials will show."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.advice.sideways import sideways_steps

MM = 1e-3
TWO = ("near feet", "far feet"), np.array([0.33, 0.75])


def test_the_ends_go_in_turn_and_the_other_is_the_pivot() -> None:
    """Near 0.10 toward 9 o'clock and far 0.25 toward 3 o'clock, in steps of 0.10 at most: far in three, near in one."""
    slope = 0.35 / 420
    steps = sideways_steps(*TWO, -0.1 * MM - slope * 0.33, slope, "mm")
    assert [(s.moves, s.stays) for s in steps] == [
        ("far feet", "near feet"),
        ("near feet", "far feet"),
        ("far feet", "near feet"),
        ("far feet", "near feet"),
    ]
    assert steps[0].dials_m == pytest.approx((0.0, 0.25 / 3 * MM))
    assert steps[-1].dials_m == pytest.approx((-0.1 * MM, 0.25 * MM))
    assert steps[1].words == (
        "Keep the far feet snug, loosen the near feet: push 0.10 mm toward 9 o'clock. "
        "Dials then: near feet -0.10, far feet +0.08 mm."
    )


def test_dials_on_the_other_side_read_the_other_way_and_planes_between_follow() -> None:
    steps = sideways_steps(("a", "b", "c"), np.array([0.2, 0.5, 0.8]), 0.0, 0.5e-3, "mm", dials="9")
    assert {s.moves for s in steps} == {"a", "c"}
    for step in steps:
        a, b, c = step.dials_m
        assert b == pytest.approx((a + c) / 2)
    assert steps[-1].dials_m == pytest.approx((-0.1 * MM, -0.25 * MM, -0.4 * MM))


def test_one_plane_is_pushed_and_nothing_needs_no_step() -> None:
    (step,) = sideways_steps(("feet",), np.array([0.4]), 2 * 25.4e-6, 0.0, "inch")
    assert step.words == "Loosen the feet: push 2.0 mil toward 3 o'clock. Dials then: feet +2.0 mil."
    assert sideways_steps(*TWO, 1e-6, 0.0, "mm") == ()
    with pytest.raises(ValueError, match="at most 1000"):
        sideways_steps(*TWO, 1.0, 0.0, "mm", step_m=1e-6)


MOVES = st.floats(-2.0, 2.0)


@given(MOVES, MOVES, st.floats(0.03, 0.5))
def test_no_step_is_too_large_and_both_ends_arrive_together(near: float, far: float, step: float) -> None:
    slope = (far - near) / 420
    steps = sideways_steps(*TWO, near * MM - slope * 0.33, slope, "mm", step_m=step * MM)
    before = np.zeros(2)
    for s in steps:
        moved = np.array(s.dials_m) - before
        assert np.count_nonzero(np.abs(moved) > 1e-12) == 1
        assert np.abs(moved).max() <= step * MM * (1 + 1e-9)
        # Neither end is ahead of the other by more than one of its steps.
        shares = [d / (w * MM) for d, w in zip(s.dials_m, (near, far), strict=True) if abs(w) >= 0.005]
        longest = max(step / abs(w) for w in (near, far) if abs(w) >= 0.005)
        assert max(shares) - min(shares) <= min(longest, 1.0) + 1e-9
        before = np.array(s.dials_m)
    assert before == pytest.approx([near * MM, far * MM], abs=5e-6)
