"""A frame on its feet against statics by hand, and against another minimiser."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from livealign.errors import PersonError
from livealign_simulators.frame import Frame, Pipe, level_frame
from livealign_simulators.geometry import AxisLine
from livealign_simulators.machine import FootPlane, Machine, Settling
from livealign_simulators.springs import Spring, UnsupportedError, rest

PLANES = [("near feet", 0.0), ("far feet", 400.0)]
FOUR = replace(level_frame(PLANES), leg_stiffness=None)  # feet at y = -200 and 200, weight 4000 N
LOOSE = FOUR.bolted(None, tight=False)
NEAR_LEFT, NEAR_RIGHT, FAR_LEFT, FAR_RIGHT = range(4)


def loads(frame: Frame) -> list[float]:
    return [f.load_n for f in frame.settled()[1].feet]


def with_foot(frame: Frame, number: int, **changes: float) -> Frame:
    feet = list(frame.feet)
    feet[number] = replace(feet[number], **changes)
    return replace(frame, feet=tuple(feet))


def test_a_weight_in_the_middle_rests_evenly_on_four_feet():
    assert_allclose(loads(LOOSE), 1000.0, rtol=1e-6)
    assert_allclose(loads(FOUR), 41000.0, rtol=1e-6)  # and 40 kN of each bolt


def test_a_weight_off_the_middle_loads_each_foot_by_its_leverage():
    # Even springs under a rigid body: N = W/4 (1 + ex x / 200^2 + ey y / 200^2), feet at x, y = +-200 from the middle.
    heavy = replace(LOOSE, weight_x_mm=100.0, weight_y_mm=50.0)  # ex = -100, ey = 50
    assert_allclose(loads(heavy), [1250.0, 1750.0, 250.0, 750.0], rtol=1e-6)
    # By the law of the lever the near feet carry 3/4 together, whatever the springs.
    uneven = with_foot(heavy, NEAR_LEFT, shims_mm=0.0001)
    assert sum(loads(uneven)[:2]) == pytest.approx(3000.0, rel=1e-6)
    assert loads(uneven)[0] > 1300.0


def test_a_machine_with_a_short_foot_stands_on_a_diagonal_and_a_tripod_once_the_weight_is_off_it():
    # Symmetric: moments about the diagonal vanish, so both feet beside it carry nothing.
    short = with_foot(LOOSE, NEAR_LEFT, floor_mm=-0.2)
    assert_allclose(loads(short), [0.0, 2000.0, 2000.0, 0.0], atol=1e-2)
    # Toward the far right: a tripod. Moments about the diagonal through near right and far left: with u = (x + y) / sqrt 2
    # measured from it, far right has u = 400 / sqrt 2, the weight (20 + 10) / sqrt 2: N = 4000 x 30 / 400.
    tripod = replace(short, weight_x_mm=220.0, weight_y_mm=10.0)
    far_right = 300.0
    far = 4000 * 220 / 400
    assert_allclose(loads(tripod), [0.0, 4000 - far, far - far_right, far_right], atol=1e-2)
    feet = tripod.settled()[1].feet
    # A rigid plane through three floors of height 0 leaves the whole of the short foot's 0.2 mm, but for the springs.
    assert feet[NEAR_LEFT].gap_inner_mm == feet[NEAR_LEFT].gap_outer_mm == pytest.approx(0.2, abs=2e-3)
    assert all(f.gap_inner_mm == 0.0 for f in feet[1:])


def test_three_planes_share_by_their_springs():
    three = level_frame([("a", 0.0), ("b", 300.0), ("c", 600.0)])
    three = replace(three, leg_stiffness=None, foot_stiffness=1e5, weight_n=6000.0).bolted(None, tight=False)
    assert_allclose(loads(three), 1000.0, rtol=1e-6)
    # The middle raised by h: symmetric, so no tilt; z rises h / 3, the outer springs lose k h / 3, the middle gains 2/3.
    lifted = three.shimmed("b", 0.012)
    assert_allclose(loads(lifted), [600.0, 600.0, 1800.0, 1800.0, 600.0, 600.0], rtol=1e-6)
    assert lifted.settled()[1].line.z_mm - three.settled()[1].line.z_mm == pytest.approx(0.004)


def test_loosening_the_bolt_of_a_soft_foot_lets_it_rise_and_a_shim_cures_it():
    soft = with_foot(level_frame(PLANES), NEAR_LEFT, floor_mm=-0.1)
    _, tight = soft.settled()
    _, loosened = soft.bolted("near feet", "left", tight=False).settled()
    assert tight.feet[NEAR_LEFT].gap_outer_mm == 0.0  # the bolt has bent the frame down to the floor
    assert loosened.feet[NEAR_LEFT].gap_outer_mm == pytest.approx(0.1, abs=0.02)
    assert loosened.feet[NEAR_LEFT].rise_mm - tight.feet[NEAR_LEFT].rise_mm > 0.08
    assert abs(loosened.line.z_mm - tight.line.z_mm) > 0.01  # and the shaft has moved
    cured = soft.shimmed("near feet", 0.1, "left")
    still, moved = (f.settled()[1] for f in (cured, cured.bolted("near feet", "left", tight=False)))
    assert moved.feet[NEAR_LEFT].gap_outer_mm == 0.0
    assert abs(moved.line.z_mm - still.line.z_mm) < 0.006  # what is left is the bolt's squeeze


def test_an_angled_foot_shows_a_wedge_under_the_feeler_gauge_until_it_is_bolted_flat():
    angled = with_foot(LOOSE, FAR_RIGHT, angle_gap_mm=0.15)
    found = angled.settled()[1].feet[FAR_RIGHT]
    assert found.gap_outer_mm - found.gap_inner_mm == pytest.approx(0.15)
    flat = angled.bolted(None, tight=True).settled()[1].feet[FAR_RIGHT]
    assert (flat.gap_inner_mm, flat.gap_outer_mm) == (0.0, 0.0)


def test_a_frame_that_rolls_carries_its_shaft_sideways():
    # Both right feet 0.1 mm up over 400 mm between feet, the shaft 200 mm above: 0.05 mm toward 9 o'clock, 0.05 mm up.
    rolled = LOOSE.shimmed("near feet", 0.1, "right").shimmed("far feet", 0.1, "right")
    before, after = LOOSE.settled()[1].line, rolled.settled()[1].line
    assert after.y_mm - before.y_mm == pytest.approx(-0.05, abs=1e-6)
    assert after.z_mm - before.z_mm == pytest.approx(0.05, abs=1e-6)


def test_a_jack_moves_a_loose_machine_holds_against_tight_bolts_and_stops_at_the_hole():
    def sideways(frame: Frame, mm: float) -> float:
        start = frame.settled()[0]
        return float(start.jacked("far feet", mm).settled()[1].line.y_slope) * 400.0

    # Friction, 2 feet x 0.15 x 1000 N, over the screw's 1e5 N/mm: 3 um stay out; over the grips' 2 x 5e5 N/mm: 0.3 um more.
    assert sideways(LOOSE, 0.3) == pytest.approx(0.2967, abs=1e-6)
    assert sideways(LOOSE, -0.3) == pytest.approx(-0.2967, abs=1e-6)
    assert abs(sideways(FOUR, 0.3)) < 1e-9
    bound = replace(LOOSE, feet=tuple(replace(f, room_mm=(-0.5, 0.5)) for f in LOOSE.feet))
    pushed = bound.settled()[0].jacked("far feet", 2.0).settled()[1]
    assert pushed.line.y_slope * 400 == pytest.approx(0.5, abs=0.01)
    assert [f.bolt_bound for f in pushed.feet] == [False, False, True, True]


def test_a_pipe_pulls_the_machine_away_when_its_bolts_are_loosened():
    # 500 N/mm x 4 mm = 2000 N against 0.15 x 4000 N of friction: it slides until the pipe is down to 600 N, 1.2 mm.
    pulled = replace(FOUR, pipes=(Pipe(200.0, 500.0, free_y_mm=4.0),)).settled()[0]
    _, held = pulled.settled()
    assert abs(held.line.y_mm) < 2e-3
    _, freed = pulled.bolted(None, tight=False).settled()
    assert freed.line.y_mm + 200 * freed.line.y_slope == pytest.approx(4.0 - 1.2, abs=2e-3)
    # Upward: 100 N/mm x 5 mm takes 500 N off the floor.
    lifted = replace(LOOSE, pipes=(Pipe(200.0, 100.0, free_z_mm=5.0),))
    assert sum(loads(lifted)) == pytest.approx(3500.0, abs=1.0)


def test_a_machine_that_would_tip_over_is_told_in_words():
    with pytest.raises(PersonError, match="tip over"):
        replace(LOOSE, weight_x_mm=-50.0).settled()
    with pytest.raises(UnsupportedError):
        rest([Spring((1.0,), 100.0, 0.0, least=0.0, most=50.0)], [-60.0])


SPRINGS = st.lists(
    st.tuples(*[st.floats(-1, 1)] * 2, st.floats(1, 3), st.floats(-1, 1), st.floats(-5, 0), st.floats(0, 5)),
    min_size=3,
    max_size=9,
)


@settings(max_examples=20)
@given(SPRINGS)
def test_any_springs_come_to_rest_where_another_minimiser_finds_the_least_energy(drawn):
    springs = [Spring((1.0, a, b), 10**k, at, least, most) for a, b, k, at, least, most in drawn] + [
        Spring(tuple(row), 1.0, 0.0) for row in np.eye(3)
    ]
    load = np.array([0.5, -0.3, 0.2])
    arms = np.array([s.arm for s in springs])
    k, at, least, most = np.array([(s.stiffness, s.at, s.least, s.most) for s in springs]).T

    def energy(q):
        free = k * (at - arms @ q)
        f = np.clip(free, least, most)
        return np.sum((f * free - f * f / 2) / k) - load @ q, -(arms.T @ f) - load

    q, f = rest(springs, load)
    assert_allclose(arms.T @ f, -load, atol=1e-6)
    other = minimize(energy, np.zeros(3), jac=True, method="BFGS")
    assert energy(q)[0] <= other.fun + 1e-9 * (1 + abs(other.fun))


# The machine that stands on it

FEET = (FootPlane("near feet", 330.0), FootPlane("far feet", 750.0))


def machine(**options) -> Machine:
    return Machine(AxisLine(z_mm=0.2), FEET, np.random.SeedSequence(3), **options)


def line(m: Machine, time_s: float) -> np.ndarray:
    at = m.line_at(np.array([time_s]))
    return np.array([at.y_mm[0], at.y_slope[0], at.z_mm[0], at.z_slope[0]])


def test_on_an_even_frame_a_shim_does_what_it_does_without():
    plain, framed = machine(), machine(frame=level_frame([(f.name, f.x_mm) for f in FEET]))
    for m in (plain, framed):
        m.move("near feet", "vertical", 0.3, 1.0)
    assert_allclose(line(framed, 60)[2:], line(plain, 60)[2:], atol=1e-6)
    assert line(framed, 0)[2] == 0.2


def test_one_foot_is_loosened_and_jacked_and_the_shaft_follows_in_time():
    m = machine()
    m.move("near feet", "vertical", 0.1, 1.0, side="left")
    m.work("far feet", lambda f: f.bolted(None, tight=False), 20.0)
    before = line(m, 40)
    m.work("far feet", lambda f: f.jacked("far feet", -0.5), 41.0, "horizontal")
    after = line(m, 60)
    assert after[0] + 750 * after[1] - (before[0] + 750 * before[1]) == pytest.approx(-0.5, abs=0.01)
    assert_allclose(line(m, 41), before, atol=1e-6)
    with pytest.raises(KeyError):
        m.work("no feet", lambda f: f.bolted("no feet", tight=False), 60.0)


def test_a_machine_that_creeps_gets_there_late_and_forgets_nothing():
    # Long after the ramp a first-order lag is behind by exp(-t / T), here of a fifth of the move.
    m = machine(settling=Settling(creep=0.2, creep_s=30.0))
    move = m.move("near feet", "vertical", 1.0, 0.0)
    # A ramp of length r is centred at r / 2, and sinh(r / 2T) / (r / 2T) of a thousandth more is left out.
    left = 1.0 - move.progress(np.array([40.0, 70.0]))
    assert_allclose(left, 0.2 * np.exp(-(np.array([40.0, 70.0]) - move.ramp_s / 2) / 30.0), rtol=1e-3)
    for i in range(1, 60):
        m.move("near feet", "vertical", 0.01, 20.0 * i)
    at = line(m, 3000)
    assert at[2] + 330 * at[3] - 0.2 == pytest.approx(1.59, abs=1e-6)
    assert len(m._moves) < 30
