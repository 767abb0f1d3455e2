"""Turning, play, gravity, light, noise and warmth against closed forms; each is derived where it stands."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, signal

from livealign_simulators.contact import Plunger, touch_rim
from livealign_simulators.disturbances import (
    CablePull,
    Disturbances,
    HeadFaults,
    Runout,
)
from livealign_simulators.geometry import AxisLine
from livealign_simulators.gravity import G_MM_PER_S2, shown_angle, specific_force
from livealign_simulators.heads import Heads, Stand
from livealign_simulators.machine import FootPlane, Machine
from livealign_simulators.mechanic import Mechanic
from livealign_simulators.memory import Memory, falling_over, play
from livealign_simulators.noise import Ar1, Flicker, White
from livealign_simulators.optics import Optics, inside
from livealign_simulators.thermal import Warming
from livealign_simulators.timeline import Timeline
from livealign_simulators.trace import Source, Surface, trace
from livealign_simulators.vibration import Vibration

TURN = np.deg2rad(np.arange(0.0, 360.0, 5.0))
FEET = (FootPlane("near feet", 330.0), FootPlane("far feet", 750.0))
SEED = np.random.SeedSequence(5)


def seed(n: int = 5) -> np.random.SeedSequence:
    return np.random.SeedSequence(n)


def mechanic(backlash_deg: float = 0.0, angle_deg: float = 0.0, **machine) -> Mechanic:
    return Mechanic(Machine(AxisLine(), FEET, seed(), **machine), angle_deg, backlash_deg)


# Heads at different angles


def test_a_head_that_lags_stands_lower_by_half_r_delta_squared_and_aside_by_r_delta():
    # The light at radius r, turned by d against the detector: r cos d outward, r sin d clockwise.
    r, d = 80.0, np.deg2rad(1.0)
    outward, clockwise = trace(
        AxisLine(), TURN, Source(130.0, r), Surface(-130.0, r), "stationary", source_angle_rad=TURN + d
    )
    assert_allclose(outward, -r * d**2 / 2, rtol=1e-4)
    assert outward[0] == pytest.approx(-0.0122, abs=1e-4)
    assert_allclose(clockwise, r * d, rtol=1e-4)


@pytest.mark.parametrize("lean_deg", [10.0, 30.0])
def test_a_ray_that_is_aimed_meets_a_plane_that_leans_where_the_triangle_says(lean_deg):
    # The outward edge leans to the light: s cos(lean) = height + (260 - s sin(lean)) tan(a).
    a, lean, height = 0.01, np.deg2rad(lean_deg), 0.3
    outward, _ = trace(
        AxisLine(z_mm=height),
        np.zeros(1),
        Source(130.0, 80.0, a),
        Surface(-130.0, 80.0, 0.0, lean),
        "stationary",
    )
    drop = height + 260.0 * np.tan(a)
    assert outward[0] == pytest.approx(drop * np.cos(a) / np.cos(lean - a), rel=1e-12)


def test_the_stationary_shaft_lags_by_half_the_play_whichever_way_it_is_turned():
    m = mechanic(backlash_deg=2.0)
    m.turn(90, 30, 1.0)
    m.turn(0, 30, 10.0)
    time_s = np.array([0.5, 9.0, 10.2, 20.0])
    behind = np.rad2deg(m.angle_at(time_s) - m.shaft_angle_at("stationary", time_s))
    assert_allclose(behind[[0, 1, 3]], [0.0, 1.0, -1.0], atol=1e-9)
    assert -1 < behind[2] < 1  # on its way through the play
    assert np.rad2deg(m.shaft_angle_at("stationary", np.array([10.2])))[0] == pytest.approx(89.0)


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-200, 200), st.floats(20, 120), st.floats(0.05, 90)), min_size=1, max_size=7
    ),
    st.sampled_from(["play", "falls"]),
)
def test_play_and_falling_over_are_what_small_steps_give_even_when_turns_overlap(turns, kind):
    m, rng = mechanic(), np.random.default_rng(0)
    step, state = (play(0.05), 0.0) if kind == "play" else (falling_over(0.2), 1.0)
    memory = Memory(m, step, state)
    m.remind(memory)
    start = 0.5
    for to_deg, rate, pause in turns:
        m.turn(to_deg, rate, start)
        start += pause
    time_s = np.arange(memory._since_s, start + 5.0, 0.002)
    angle = m.angle_at(time_s)
    walked = [float(memory.at(time_s[:1])[0])]
    for a in angle[1:]:
        if kind == "play":
            walked.append(min(max(walked[-1], a - 0.025), a + 0.025))
        else:
            walked.append(float(np.sign(np.sin(a))) if abs(np.sin(a)) > 0.2 else walked[-1])
    # Between two small steps a turning point may reach a little further: 120 deg/s and 0.002 s, eased.
    differ = np.abs(memory.at(time_s) - np.array(walked))
    assert differ.max() < 1e-3 if kind == "play" else np.mean(differ > 0) < 0.002
    chosen = rng.permutation(time_s.size)[:50]
    assert_allclose(memory.at(np.sort(time_s[chosen])), memory.at(time_s)[np.sort(chosen)])


# Heads on their shafts


def heads(shaft_turns: Mechanic, **options) -> Heads:
    return Heads({"S": "stationary", "M": "movable"}, shaft_turns, Disturbances(**options))


def test_runout_cancels_for_heads_that_are_clamped_and_shows_on_a_rim_that_stands_still():
    m = mechanic()
    m.turn(360, 60, 0.0)
    time_s = np.linspace(0, 7, 100)
    off = heads(m, runouts=(Runout("movable", 0.1, 40.0), Runout("stationary", 0.07)))
    mine, other = off.stand("S", time_s), off.stand("M", time_s)
    outward, _ = trace(
        AxisLine(z_mm=0.3),
        mine.angle_rad,
        Source(130.0, 80 + other.outward_mm, aside_mm=other.clockwise_mm),
        Surface(-130.0, 80 + mine.outward_mm, mine.clockwise_mm),
        "stationary",
        source_angle_rad=other.angle_rad,
    )
    # A head is carried round the true axis: the same 0.3 cos as without runout, and a constant.
    shown = outward - 0.3 * np.cos(mine.angle_rad)
    assert np.ptp(shown) < 1e-9
    assert shown[0] == pytest.approx(0.1 * np.cos(np.deg2rad(40)) - 0.07)
    # Both turned: the plunger stays on one place of the rim. Only its own shaft turned: it sees the rim's middle go by.
    rim = off.rim_mm("movable", time_s)
    both = touch_rim(AxisLine(), mine.angle_rad, Plunger(0.0, 80.0), "stationary", rim)
    assert np.ptp(both) < 1e-9
    alone = touch_rim(AxisLine(), TURN, Plunger(0.0, 80.0), "stationary", off.rim_mm("movable", 0 * TURN))
    assert_allclose(alone - alone.mean(), 0.1 * np.cos(TURN - np.deg2rad(40)), atol=1e-4)


def test_a_loose_head_falls_to_the_low_side_late_and_late_again_on_the_way_back():
    m = mechanic()
    loose = heads(m, heads={"M": HeadFaults(loose_mm=0.1, loose_friction=0.5)})
    m.turn(300, 30, 0.0)
    m.turn(0, 30, 12.0)
    time_s = np.linspace(0, 26, 2601)
    angle, aside = np.rad2deg(m.angle_at(time_s)), loose.stand("M", time_s).clockwise_mm
    flips = angle[1:][np.diff(aside) != 0]
    # sin > 0.5 from 30 deg, sin < -0.5 from 210 deg; coming back from 300 deg not before 150 deg.
    assert_allclose(flips, [210.0, 150.0], atol=0.5)
    assert set(np.round(np.abs(aside), 9)) == {0.1}


def test_a_cable_pulls_in_its_part_of_the_turn_and_a_knock_is_a_step():
    m = mechanic()
    m.turn(360, 36, 0.0)
    pulled = heads(m, heads={"S": HeadFaults(cable=CablePull(300.0, 380.0, outward_mm=0.2))})
    pulled.faults["M"].change(HeadFaults(outward_mm=0.5, turned_deg=2.0), 4.0)
    time_s = np.linspace(0, 12, 1201)
    angle, s, k = np.rad2deg(m.angle_at(time_s)), pulled.stand("S", time_s), pulled.stand("M", time_s)
    assert np.all(s.outward_mm[(angle > 21) & (angle < 299)] == 0)
    assert s.outward_mm.max() == pytest.approx(0.2, abs=1e-4)
    assert angle[np.argmax(s.outward_mm)] == pytest.approx(340, abs=1)
    assert_allclose(k.outward_mm, np.where(time_s < 4.0, 0.0, 0.5))
    assert_allclose(np.rad2deg(k.angle_rad) - angle, np.where(time_s < 4.0, 0.0, 2.0), atol=1e-9)


@given(st.lists(st.floats(0, 10), max_size=5), st.lists(st.floats(0, 10), min_size=1, max_size=20))
def test_a_timeline_tells_at_every_time_what_was_set_last(changes, times):
    line = Timeline(0.0)
    for n, at in enumerate(sorted(changes), 1):
        line.change(float(n), at)
    time_s = np.sort(times)
    expected = [sum(c <= t for c in changes) for t in time_s]
    assert_allclose(line.spread(time_s, float), expected)


# Gravity


def test_turning_evenly_tilts_what_an_accelerometer_shows_by_r_w_squared_over_g():
    # Outward -r w^2 / g beside gravity of 1 g at angle t: the shown angle errs by (r w^2 / g) sin t, r w^2 << g.
    w, r = 0.5, 80.0
    out, along = specific_force(TURN, np.full_like(TURN, w), 0 * TURN, r)
    error = shown_angle(out, along, TURN) - TURN
    assert_allclose(error, r * w**2 / G_MM_PER_S2 * np.sin(TURN), atol=5e-6)
    assert error.max() == pytest.approx(2.04e-3, abs=1e-5)
    # Speeding up: r a / g along, which errs by -(r a / g) cos t.
    out, along = specific_force(TURN, 0 * TURN, np.full_like(TURN, 1.0), r)
    assert_allclose(shown_angle(out, along, TURN) - TURN, -r / G_MM_PER_S2 * np.cos(TURN), atol=1e-4)


def test_the_rate_of_a_shaft_is_that_of_its_turn():
    m = mechanic()
    m.turn(90, 30, 1.0)
    rate, change = heads(m).turning("M", np.array([0.5, 1.2, 3.0, 8.0]))
    # Even easing over 0.4 s: half the speed at half the time, 30 deg/s over 0.4 s.
    assert_allclose(np.rad2deg(rate), [0, 15, 30, 0], atol=1e-6)
    assert_allclose(np.rad2deg(change), [0, 75, 0, 0], atol=1e-3)


# Light


def test_background_light_pulls_the_spot_toward_the_middle_by_its_share():
    # The middle of two lights together: (Is x + Ib 0) / (Is + Ib).
    seen = Optics(background=0.25, brightness=1.0).seen(np.array([-2.0, 1.0]))
    assert_allclose(seen.place_mm, np.array([-2.0, 1.0]) * 1.0 / 1.25)
    assert_allclose(seen.light, 1.25)
    gone = Optics(brightness=0.0).seen(np.array([2.0]))
    assert gone.place_mm[0] == 0.0
    assert gone.light[0] < 1e-3
    assert gone.noise_factor[0] == 50.0


def test_a_spot_at_the_edge_is_the_part_of_it_that_is_inside():
    spot, half = 0.5, 5.0
    for x in (0.0, 4.2, 5.0, 5.6):

        def bell(u, x=x):
            return np.exp(-0.5 * ((u - x) / spot) ** 2) / (spot * np.sqrt(2 * np.pi))

        share = integrate.quad(bell, -half, half, points=[min(x, half)])[0]
        moment = integrate.quad(lambda u: u * bell(u), -half, half, points=[min(x, half)])[0]
        told_share, told = inside(np.array([x]), spot, half)
        assert told_share[0] == pytest.approx(share, abs=1e-9)
        assert told[0] == pytest.approx(moment / share, abs=1e-6)
    assert inside(np.array([60.0]), spot, half)[0][0] == pytest.approx(0.0, abs=1e-12)
    # 2 % too far at the edge, an eighth of that, in mm, half way.
    bent = Optics(half_width_mm=half, cubic=0.02).seen(np.array([2.5, 5.0])).place_mm
    assert_allclose(bent - [2.5, 5.0], [0.1 / 8, 0.1])


# Noise


def test_noise_belongs_to_the_sample_however_the_time_is_cut():
    for made in (White, lambda s: Ar1(s, 50.0), Flicker):
        whole = made(seed()).at(0, 5000)
        cut = made(seed())
        parts = [cut.at(a, b) for a, b in ((0, 3), (3, 3), (3, 1024), (1024, 3100), (3100, 5000))]
        assert np.array_equal(np.concatenate(parts), whole)
        assert np.array_equal(cut.at(900, 1100), whole[900:1100])
        assert not np.array_equal(made(seed(6)).at(0, 100), whole[:100])


def test_a_first_order_memory_has_the_spectrum_of_the_textbook():
    # Two-sided s^2 (1 - a^2) / |1 - a exp(-iw)|^2 per sample; Welch's is one-sided: twice that.
    memory = 20.0
    x = Ar1(seed(1), memory).at(0, 200_000)
    assert x.std() == pytest.approx(1.0, abs=0.05)
    a = np.exp(-1 / memory)
    f, density = signal.welch(x, nperseg=1024)
    expected = 2 * (1 - a**2) / np.abs(1 - a * np.exp(-2j * np.pi * f)) ** 2
    assert_allclose(np.log(density[3:-1] / expected[3:-1]), 0.0, atol=0.4)
    assert abs(np.log(density[3:-1] / expected[3:-1]).mean()) < 0.02


def allan(x: np.ndarray, n: int) -> float:
    means = x[: x.size // n * n].reshape(-1, n).mean(axis=1)
    return float(np.sqrt(0.5 * np.mean(np.diff(means) ** 2)))


def test_flicker_falls_as_one_over_f_and_does_not_average_out():
    x = Flicker(seed(2)).at(0, 1 << 18)
    f, density = signal.welch(x, nperseg=1 << 13)
    band = (f > 1e-3) & (f < 0.1)
    slope = np.polyfit(np.log(f[band]), np.log(density[band]), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.1)
    # Allan deviation: flat for 1/f, falling as the square root for white noise (IEEE 1139, from memory).
    times = np.array([16, 64, 256, 1024])
    flat = np.polyfit(np.log(times), np.log([allan(x, n) for n in times]), 1)[0]
    white = np.polyfit(np.log(times), np.log([allan(White(seed(3)).at(0, 1 << 16), n) for n in times]), 1)[0]
    assert flat == pytest.approx(0.0, abs=0.1)
    assert white == pytest.approx(-0.5, abs=0.1)


def test_a_neighbour_that_runs_is_heard_at_its_speed_and_twice_that():
    m = mechanic(vibrations=[Vibration(25.0, z_mm=0.01, harmonics=(1.0, 0.4), phases_rad=(0.3, 1.0))])
    time_s = np.arange(1000) / 200.0
    lines = 2 * np.abs(np.fft.rfft(m.line_at(time_s).z_mm)) / 1000
    assert_allclose(lines[[125, 250]], [0.01, 0.004], rtol=1e-6)
    assert np.delete(lines, [125, 250]).max() < 1e-9


# Warmth


def test_legs_grow_as_the_handbook_reckons():
    # McMillan 2004, Example 8-3: 0.0063 mil/in/F; near legs 17 in, 78 to 106 F: 2.99 mil; far legs 22 in, 78 to 138 F: 8.3.
    per_k = 0.0063e-3 * 9 / 5
    near = Warming(330.0, 17 * 25.4, (78 - 32) / 1.8, (106 - 32) / 1.8, 900.0, per_k)
    far = Warming(750.0, 22 * 25.4, (78 - 32) / 1.8, (138 - 32) / 1.8, 900.0, per_k)
    m = mechanic(warmings=[near, far])
    at = m.line_at(np.array([0.0, 900.0, 1e5]))
    mil = [(at.z_mm + at.z_slope * w.x_mm) / 0.0254 for w in (near, far)]
    assert_allclose(mil[0], 2.9988 * np.array([0, 1 - np.exp(-1), 1]), atol=1e-4)
    assert_allclose(mil[1], 8.316 * np.array([0, 1 - np.exp(-1), 1]), atol=1e-4)


def test_a_stationary_machine_that_grows_leaves_the_movable_one_low():
    warm = Warming(-400.0, 250.0, 20.0, 60.0, 10.0, 12e-6, machine="stationary")
    at = mechanic(warmings=[warm]).line_at(np.array([1e4]))
    assert at.z_mm[0] == pytest.approx(-0.12)
    assert at.z_slope[0] == 0.0


def test_a_head_stands_where_its_shaft_is_when_nothing_is_wrong():
    m = mechanic(angle_deg=30.0)
    stand = heads(m).stand("S", np.zeros(3))
    assert isinstance(stand, Stand)
    assert_allclose(np.rad2deg(stand.angle_rad), 30.0)
    assert not np.any(stand.outward_mm)
