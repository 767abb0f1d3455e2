"""The machine between its feet, and somebody who turns, shims and shifts."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from livealign_simulators.geometry import AxisLine
from livealign_simulators.machine import FootPlane, Machine
from livealign_simulators.mechanic import Mechanic

FEET = (FootPlane("near feet", 330.0), FootPlane("far feet", 750.0))
LATER = np.array([60.0])


def machine(*feet: FootPlane, start: AxisLine | None = None) -> Machine:
    return Machine(start or AxisLine(), feet or FEET, np.random.SeedSequence(3))


def height(m: Machine, x: float, time_s: float) -> float:
    line = m.line_at(np.array([time_s]))
    return float(line.z_mm[0] + line.z_slope[0] * x)


def test_a_shim_lifts_its_own_feet_and_leaves_the_others():
    m = machine()
    m.move("near feet", "vertical", 0.3, start_s=1.0)
    assert height(m, 330, 0.9) == 0.0
    assert height(m, 330, 60) == pytest.approx(0.3, abs=1e-6)
    assert height(m, 750, 60) == pytest.approx(0.0, abs=1e-6)


def test_feet_and_axis_are_one_rigid_line():
    m = machine(start=AxisLine(z_mm=0.5, z_slope=-1e-3))
    m.move("near feet", "vertical", -0.5 + 0.33, 0.0)
    m.move("far feet", "vertical", -0.5 + 0.75, 2.0)
    line = m.line_at(LATER)
    assert line.z_mm[0] == pytest.approx(0.0, abs=1e-6)
    assert line.z_slope[0] == pytest.approx(0.0, abs=1e-8)


def test_a_move_settles_without_overshoot_and_takes_its_time():
    move = machine().move("far feet", "horizontal", 0.4, 0.0)
    progress = move.progress(np.linspace(0, 20, 2001))
    assert np.all(np.diff(progress) >= -1e-12)
    assert progress[-1] == pytest.approx(1.0)
    assert progress[100] < 0.9  # one second after the start it is still on its way
    assert 0.5 <= move.ramp_s <= 1.0


def test_tools_shake_the_machine_only_while_they_are_used():
    move = machine().move("far feet", "vertical", 0.0, 5.0)
    shaking = np.abs(move.shaking(np.linspace(0, 12, 5000)))
    assert shaking[:2000].max() == 0.0
    assert 1e-4 < shaking.max() < 0.1
    assert shaking[-1000:].max() < 1e-6


def test_a_move_disturbs_the_other_direction_by_a_few_micrometres():
    m = machine()
    m.move("near feet", "vertical", 0.5, 0.0)
    line = m.line_at(LATER)
    assert 0 < abs(line.y_mm[0] + line.y_slope[0] * 330) < 0.007


def test_three_foot_planes_brought_to_one_line_hold_the_axis_there():
    start = AxisLine(z_mm=0.4, z_slope=0.8e-3)
    m = machine(*FEET, FootPlane("last feet", 1100.0), start=start)
    for i, foot in enumerate(m.feet):
        m.move(foot.name, "vertical", -(0.4 + 0.8e-3 * foot.x_mm), float(i))
    line = m.line_at(LATER)
    assert_allclose([line.z_mm[0], line.z_slope[0] * 1000], 0.0, atol=1e-6)


def test_one_foot_plane_cannot_tilt_the_machine():
    m = machine(FEET[0], start=AxisLine(z_slope=1e-3))
    m.move("near feet", "vertical", 0.2, 0.0)
    line = m.line_at(LATER)
    assert line.z_mm[0] == pytest.approx(0.2)
    assert line.z_slope[0] == pytest.approx(1e-3)


def test_many_moves_leave_nothing_but_their_sum():
    m = machine()
    for i in range(200):
        m.move("near feet", "vertical", 0.01, 10.0 * i)
    assert len(m._moves) < 5
    assert height(m, 330, 2100) == pytest.approx(2.0, abs=1e-6)


def test_shafts_turn_evenly_and_stand_still_at_the_goal():
    mechanic = Mechanic(machine(), angle_deg=90)
    end = mechanic.turn(360, 30, start_s=2.0)
    assert end == pytest.approx(2.0 + 9.0 + 0.4)
    time_s = np.linspace(0, 20, 20001)
    angle = np.rad2deg(mechanic.angle_at(time_s))
    assert angle[0] == pytest.approx(90)
    assert angle[-1] == pytest.approx(360)
    assert angle[time_s >= end][0] == pytest.approx(360)
    rate = np.diff(angle) / np.diff(time_s)
    assert rate.min() >= -1e-6
    assert rate.max() == pytest.approx(30)


def test_turning_back_and_a_touch_too_short_for_full_speed():
    mechanic = Mechanic(machine(), angle_deg=0)
    mechanic.turn(-1, 60, 0.0)
    end = mechanic.turn(4, 60, 5.0)
    assert np.rad2deg(mechanic.angle_at(np.array([4.0, end, 100.0]))) == pytest.approx([-1, 4, 4])


def test_a_day_of_turning_is_not_remembered_turn_by_turn():
    mechanic = Mechanic(machine(), angle_deg=0)
    for i in range(300):
        mechanic.turn(360.0 * (i % 2), 90, 30.0 * i)
    assert len(mechanic._turns) < 10
    assert np.rad2deg(mechanic.angle_at(np.array([9100.0]))) == pytest.approx([360.0])


def test_the_same_seed_shakes_the_same_way():
    a, b = machine(), machine()
    time_s = np.linspace(0, 5, 100)
    for m in (a, b):
        m.move("near feet", "vertical", 0.1, 1.0)
    assert np.array_equal(a.line_at(time_s).z_mm, b.line_at(time_s).z_mm)
