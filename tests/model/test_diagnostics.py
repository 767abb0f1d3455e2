"""What the residuals say: each disturbance is found, named with its size, and not taken for another."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from livealign.model.diagnostics import Diagnosis, range_ahead
from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.model.sweep import Sweep, SweepFit

NOISE_M, ANGLE_NOISE = 2e-6, np.radians(0.05)
DETECTORS = tuple(
    Detector(name, x, sign, 0.0, 0.0, NOISE_M, ANGLE_NOISE, i, i)
    for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
)
BETA = beta_covariance([np.radians(0.2)] * 2, [0.002] * 2, np.diag([7e-4, 7e-4, 1e-3, 1.4e-3]) ** 2)
MODEL = RigModel(DETECTORS, BETA, 2, np.array([0.33, 0.75]), (2, 3))
POSE = np.array([0.3e-3, -0.6e-3, 0.5e-3, 0.8e-3])


@dataclass
class Turn:
    """A sweep there and back, read 100 times a second, with one thing wrong with it."""

    seed: int = 0
    arc_deg: float = 270.0
    speed_deg_s: float = 30.0
    both_ways: bool = True
    noise_of_second: float = 1.0
    lag_s: float = 0.0
    apart_rad: float = 0.0
    against: bool = False
    """The second head's angle runs the wrong way."""
    step_s: float = 0.01
    tilt_rad: float = ANGLE_NOISE
    wrong: Callable[[int, NDArray[np.float64], FloatArray, FloatArray], FloatArray | float] = lambda *_: 0.0
    """(detector, time s, angle, direction) to metres."""

    def examine(self) -> tuple[SweepFit, tuple[Diagnosis, ...]]:
        rng = np.random.default_rng(self.seed)
        one_way = self.arc_deg / self.speed_deg_s
        time = np.arange(0.0, one_way * (2 if self.both_ways else 1), self.step_s)
        back = time >= one_way
        angle = np.radians(self.speed_deg_s * np.where(back, 2 * one_way - time, time))
        angle = angle + np.radians(3.0) * np.sin(2 * np.pi * time / 1.7)  # no hand turns evenly
        way = np.where(back, -1.0, 1.0)
        sweep = Sweep(MODEL)
        for i, d in enumerate(DETECTORS):
            own = angle + (self.apart_rad * (way > 0) if i else 0.0)
            own = -own if self.against and i else own
            seen = own - self.lag_s * np.gradient(own, time)
            across, up = POSE[0] + POSE[1] * d.x_m, POSE[2] + POSE[3] * d.x_m
            value = d.sign * (across * np.sin(seen) + up * np.cos(seen)) + self.wrong(i, time, own, way)
            value += rng.normal(0.0, NOISE_M * (self.noise_of_second if i else 1.0), time.size)
            sweep.add(i, own + rng.normal(0.0, self.tilt_rad, time.size), value, time)
        examined = sweep.examine()
        assert examined is not None
        return examined


def found(turn: Turn) -> dict[tuple[str, tuple[int, ...]], float]:
    return {(d.name, d.where): d.size for d in turn.examine()[1]}


def test_a_healthy_rig_is_not_accused() -> None:
    # Six questions, two detectors, five standard deviations each: nothing in 40 turns.
    assert [found(Turn(seed=seed)) for seed in range(40)] == [{}] * 40


def test_something_that_goes_twice_around_is_a_second_harmonic() -> None:
    seen = found(Turn(wrong=lambda _i, _t, angle, _w: 5e-6 * np.cos(2 * angle + 1.0)))
    assert set(seen) == {("second harmonic", (0,)), ("second harmonic", (1,))}
    assert list(seen.values()) == pytest.approx([5e-6, 5e-6], rel=0.1)


def test_backlash_of_one_bracket_is_hysteresis_of_that_detector_only() -> None:
    seen = found(Turn(wrong=lambda i, _t, _a, way: 5e-6 * way if i == 0 else 0.0))
    assert set(seen) == {("hysteresis", (0,))}
    assert seen["hysteresis", (0,)] == pytest.approx(10e-6, rel=0.1)


def test_warming_up_is_drift_and_not_hysteresis() -> None:
    seen = found(Turn(wrong=lambda _i, time, _a, _w: 10e-6 * time / time[-1]))
    assert set(seen) == {("drift", (0,)), ("drift", (1,))}
    assert seen["drift", (0,)] == pytest.approx(10e-6, rel=0.15)


def test_a_lag_is_measured_and_taken_out() -> None:
    fit, diagnoses = Turn(lag_s=0.02).examine()
    lags = [d for d in diagnoses if d.name == "lag"]
    assert [d.size for d in lags] == pytest.approx([0.02, 0.02], abs=0.002)
    assert {d.name for d in diagnoses} == {"lag"}
    u = np.sqrt(np.diag(fit.belief.pose_cov))
    assert np.all(np.abs(fit.belief.pose - POSE) < 4 * u)
    # Uncorrected, the residuals would show it.
    assert fit.noise_m == pytest.approx([NOISE_M, NOISE_M], rel=0.15)


def test_at_constant_speed_one_way_a_lag_cannot_be_told_and_is_not_claimed() -> None:
    assert not any(name == "lag" for name, _ in found(Turn(both_ways=False)))


def test_heads_that_slip_against_each_other_are_noticed() -> None:
    seen = found(Turn(apart_rad=np.radians(1.0)))
    assert seen["heads at different angles", (0, 1)] == pytest.approx(np.radians(1.0), rel=0.1)


def test_a_coarse_inclinometer_that_tells_seldom_is_not_taken_for_a_head_that_slips() -> None:
    coarse = Turn(step_s=0.2, tilt_rad=np.radians(0.2))
    assert not any(name == "heads at different angles" for name, _ in found(coarse))
    slips = Turn(step_s=0.2, tilt_rad=np.radians(0.2), apart_rad=np.radians(2.0))
    assert ("heads at different angles", (0, 1)) in found(slips)


def test_a_link_that_may_be_a_little_late_is_not_taken_for_a_head_that_slips_while_it_is_turned_fast() -> (
    None
):
    def told(deg_per_s: float, late_s: float) -> bool:
        apart = np.radians(2.0 * deg_per_s) * late_s  # it is behind on the way there, ahead on the way back
        seen = found(Turn(speed_deg_s=deg_per_s, apart_rad=apart))
        return ("heads at different angles", (0, 1)) in seen

    assert not told(45.0, 0.010)
    assert told(45.0, 0.016)
    assert not told(15.0, 0.016)


@pytest.mark.parametrize("both_ways", [True, False])
def test_an_angle_that_runs_the_wrong_way_is_named_so(both_ways: bool) -> None:
    seen = found(Turn(against=True, both_ways=both_ways))
    assert seen["angles run against each other", (0, 1)] == pytest.approx(np.radians(270.0), rel=0.05)
    assert ("heads at different angles", (0, 1)) not in seen


def test_a_head_that_shifts_a_little_makes_the_turns_disagree() -> None:
    def shifted(i: int, time: FloatArray, _a: FloatArray, _w: FloatArray) -> FloatArray:
        return np.where((time > 12.0) & (time < 15.0) & (i == 1), 10e-6, 0.0)

    assert ("turns disagree", (1,)) in found(Turn(wrong=shifted))


def test_a_head_that_is_knocked_far_is_left_out_and_told() -> None:
    def knocked(i: int, time: FloatArray, _a: FloatArray, _w: FloatArray) -> FloatArray:
        return np.where((time > 14.0) & (i == 1), 0.3e-3, 0.0)

    seen = found(Turn(wrong=knocked))
    assert seen["many left out", (1,)] == pytest.approx(4 / 18, abs=0.02)


def test_noise_speed_and_arc_are_told() -> None:
    assert found(Turn(noise_of_second=5.0))["uneven detectors", (1,)] == pytest.approx(5.0, rel=0.25)
    assert found(Turn(speed_deg_s=90.0))["fast turning", ()] > np.radians(80.0)
    assert found(Turn(arc_deg=40.0))["short arc", ()] < np.radians(50.0)


def test_gross_errors_are_named_with_time_detector_and_size() -> None:
    def spike(i: int, time: FloatArray, _a: FloatArray, _w: FloatArray) -> FloatArray:
        return np.where((np.abs(time - 4.0) < 0.004) & (i == 1), 0.4e-3, 0.0)

    fit, _ = Turn(wrong=spike).examine()
    assert fit.left_out == len(fit.gross) == 1
    (gross,) = fit.gross
    assert gross.detector == 1
    assert gross.time_s == pytest.approx(4.0, abs=0.005)
    assert gross.size_m == pytest.approx(0.4e-3, rel=0.05)


def test_a_detector_that_will_leave_its_range_later_in_the_turn_is_foretold() -> None:
    fit, _ = Turn(arc_deg=90.0, both_ways=False).examine()
    x = fit.belief.mean[: MODEL.size]
    covered = np.zeros(360, dtype=bool)
    covered[:90] = True
    reach = float(np.hypot(*MODEL.amplitudes(0, POSE)))
    assert range_ahead(MODEL, x, 0, (-2 * reach, 2 * reach), covered) is None
    angle = range_ahead(MODEL, x, 0, (-0.9 * reach, 2 * reach), covered)
    assert angle is not None
    by_sin, by_cos = MODEL.amplitudes(0, POSE)
    assert by_sin * np.sin(angle) + by_cos * np.cos(angle) < -0.85 * reach


def test_a_machine_that_shakes_is_told_apart_from_one_noisy_detector() -> None:
    def shaken(_i: int, time: FloatArray, _a: FloatArray, _w: FloatArray) -> FloatArray:
        return 15e-6 * np.sin(2 * np.pi * 17.3 * time)

    seen = found(Turn(wrong=shaken))
    # Half of a sine lies beyond 0.71 of its amplitude, half of Gaussian noise beyond 0.67 standard deviations.
    assert seen["more than noise", ()] == pytest.approx(15 * 0.707 / 0.674 / 2, rel=0.15)
    assert not any(name == "uneven detectors" for name, _ in seen)
    assert not any(name == "more than noise" for name, _ in found(Turn(noise_of_second=6.0)))
