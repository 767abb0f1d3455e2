"""From a pose to moves at the feet and gaps at the coupling."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from advice.posed import believed, model_with_feet, pose_m
from livealign.advice.corrections import feet_moves, gap_mm, pose_of, unknown_feet
from livealign.model.rig import FloatArray
from livealign.snapshot import PlanePose

IN = 25.4
NOTHING = np.zeros(4)
LENGTHS = st.floats(-5.0, 5.0)


def test_an_axis_that_rises_from_the_coupling_opens_it_at_the_bottom() -> None:
    belief = believed(pose_m(rise=0.5, swing=-0.25))
    assert gap_mm(belief, 0.2, vertical=True) == pytest.approx(-0.1)
    assert gap_mm(belief, 0.2, vertical=False) == pytest.approx(0.05)


def test_a_published_coupling_gap() -> None:
    """An open-drive chiller maker's installation manual: S = L M / D, .012 x 30 / 5 = .072 in at one pair of feet."""
    pose = pose_m(rise=-1e3 * 0.012 / 5.0)  # open at the top by .012 in over 5 in
    bolts = model_with_feet(10 * IN, 40 * IN)
    belief = believed(pose, model=bolts)
    assert gap_mm(belief, 5.0 * IN * 1e-3, vertical=True) == pytest.approx(0.012 * IN)
    front, rear = feet_moves(bolts, ("front", "rear"), belief, NOTHING, "inch")
    assert rear.vertical_mm is not None
    assert front.vertical_mm is not None
    assert rear.vertical_mm - front.vertical_mm == pytest.approx(0.072 * IN, abs=1e-5)
    # hinged on the front bolts, the rear gets the whole of it
    hinged = believed(pose_m(up_mm=0.024 * IN, rise=-2.4), model=bolts)
    front, rear = feet_moves(bolts, ("front", "rear"), hinged, NOTHING, "inch")
    assert front.vertical_words == "leave as it is"
    assert rear.vertical_words == "add 72.0 mil"


def test_a_published_reverse_indicator_example() -> None:
    """Bloch & Geitner p. 203, Fig. 5-21: planes 14 in apart, 12 in to the near foot, 26 in on to the far foot.

    Vertical centreline offsets 12 and 7 mil, horizontal -1.5 and +18.5 (north positive). The axis lies above (north)
    of the wanted line by these; near foot lower 2.7, far foot raise 6.6, near foot 35.6 south.
    """
    mil = 0.0254
    rise, swing = (1e3 * (b - a) * mil / (14 * IN) for a, b in ((12.0, 7.0), (-1.5, 18.5)))
    model = model_with_feet(26 * IN, 52 * IN)
    belief = believed(pose_m(up_mm=12.0 * mil, rise=rise, right_mm=-1.5 * mil, swing=swing), model=model)
    near, far = feet_moves(model, ("near", "far"), belief, NOTHING, "inch")
    assert (near.vertical_words, far.vertical_words) == ("remove 2.7 mil", "add 6.6 mil")
    assert near.horizontal_mm == pytest.approx(-35.643 * mil, abs=1e-4)
    assert far.horizontal_mm == pytest.approx(-72.786 * mil, abs=1e-4)


@given(
    st.builds(pose_m, up_mm=LENGTHS, rise=LENGTHS, right_mm=LENGTHS, swing=LENGTHS),
    st.floats(100.0, 900.0),
    st.floats(50.0, 2000.0),
)
def test_after_the_moves_the_axis_is_where_it_is_wanted(pose: FloatArray, near: float, apart: float) -> None:
    target = pose_m(up_mm=0.1, swing=0.2)
    model = model_with_feet(near, near + apart)
    feet = feet_moves(model, ("near", "far"), believed(pose, model=model), target, "mm")
    for i, moves in ((2, [f.vertical_mm for f in feet]), (0, [f.horizontal_mm for f in feet])):
        first, second = (m or 0.0 for m in moves)
        slope = (second - first) / apart
        offset = first - slope * near
        assert pose[i] + offset * 1e-3 == pytest.approx(target[i], abs=1e-7)
        assert pose[i + 1] + slope == pytest.approx(target[i + 1], abs=1e-6)


def test_uncertainty_at_the_feet_has_the_pose_and_the_tape_in_it() -> None:
    pose = pose_m(rise=2.0)
    u = np.array([3e-6, 4e-6, 3e-6, 4e-6])
    model = model_with_feet(500.0, 1000.0, u_mm=2.0)
    belief = believed(pose, u, model=model)
    near, far = feet_moves(model, ("near", "far"), belief, NOTHING, "mm")
    assert near.vertical_u_mm == pytest.approx(1e3 * np.hypot(np.hypot(3e-6, 2e-6), 2e-3 * 2e-3), rel=1e-3)
    assert far.vertical_u_mm == pytest.approx(1e3 * np.hypot(np.hypot(3e-6, 4e-6), 2e-3 * 2e-3), rel=1e-3)
    assert near.horizontal_u_mm == pytest.approx(1e3 * np.hypot(3e-6, 2e-6), rel=1e-3)


def test_what_is_not_observable_is_absent() -> None:
    model = model_with_feet(300.0)
    half = believed(pose_m(up_mm=1.0, right_mm=1.0), observable=(True, False, True, True), model=model)
    pose = pose_of(half)
    assert pose.horizontal.offset_mm == 1.0
    assert (pose.horizontal.slope_mm_per_m, pose.horizontal.slope_u_mm_per_m) == (None, None)
    assert pose.vertical.slope_mm_per_m == 0.0
    assert gap_mm(half, 0.2, vertical=False) is None
    assert gap_mm(half, 0.2, vertical=True) == 0.0
    (foot,) = feet_moves(model, ("near",), half, NOTHING, "mm")
    assert foot.vertical_words == "remove 1.00 mm"
    assert (foot.horizontal_mm, foot.horizontal_u_mm, foot.horizontal_words) == (None, None, "not known")
    blind = pose_of(believed(NOTHING, observable=(False,) * 4))
    assert blind.vertical == blind.horizontal == PlanePose()


def test_before_any_pose_the_feet_are_named_and_nothing_more() -> None:
    (foot,) = unknown_feet(model_with_feet(300.0), ("near feet",))
    assert (foot.name, foot.x_mm) == ("near feet", 300.0)
    assert (foot.vertical_mm, foot.vertical_words) == (None, "not known")
