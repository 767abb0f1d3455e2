"""Following a machine through moves: the state that the sweep gave is carried on, and forgets no more than it must."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.model.sweep import Sweep
from livealign.model.tracker import Track, Tracker

NOISE_M = 2e-6
ANGLE_NOISE = np.radians(0.05)
DETECTORS = tuple(
    Detector(name, x, sign, 0.0, 0.0, NOISE_M, ANGLE_NOISE, i, i)
    for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
)
BETA = beta_covariance([np.radians(0.2)] * 2, [0.002] * 2, np.diag([7e-4, 7e-4, 1e-3, 1.4e-3]) ** 2)
MODEL = RigModel(DETECTORS, BETA, 2, np.array([0.33, 0.75]), (2, 3))
START = np.array([0.36e-3, -0.4e-3, -0.67e-3, -0.55e-3])
Motion = Callable[[float], FloatArray]


@dataclass
class Bench:
    """A rig with hidden errors, its shafts and its machine, read 100 times a second."""

    seed: int
    vertical: bool = True
    time_s: float = 0.0
    track: list[tuple[float, Track, FloatArray]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self.aim = self.rng.normal(0.0, 1e-3, 2)
        self.hidden = self.rng.multivariate_normal(np.zeros(8), BETA)
        sweep = Sweep(MODEL)
        for i in range(2):
            angles = np.radians(np.linspace(0.0, 270.0, 900))
            sweep.add(i, angles + self.rng.normal(0.0, ANGLE_NOISE, 900), self.read(i, angles, START))
        fit = sweep.fit()
        assert fit is not None
        self.swept = fit.belief
        self.tracker = Tracker(MODEL, fit.belief, fit.noise_m, fit.excess_m, vertical=self.vertical)

    def read(self, i: int, angle: FloatArray, pose: FloatArray) -> FloatArray:
        d = DETECTORS[i]
        true_angle, x = angle + self.hidden[i], d.x_m + self.hidden[4 + i]
        across, up = pose[0] + pose[1] * x, pose[2] + pose[3] * x
        value = d.sign * (1.0 + self.hidden[2 + i]) * (across * np.sin(true_angle) + up * np.cos(true_angle))
        return self.aim[i] + value + self.rng.normal(0.0, NOISE_M, np.shape(angle))

    def stand(self, seconds: float, angle_deg: float, pose: Motion | FloatArray) -> Track:
        """Stay parked while the machine does what `pose` says (of the time since now)."""
        return self.go(seconds, lambda _: np.radians(angle_deg), pose)

    def go(self, seconds: float, angle: Callable[[float], float], pose: Motion | FloatArray) -> Track:
        for step in range(round(seconds * 20)):
            since = step / 20 + np.arange(5) / 100
            poses = np.array([pose(s) if callable(pose) else pose for s in since])
            true = np.array([angle(s) for s in since])
            for i in range(2):
                told = true + self.rng.normal(0.0, ANGLE_NOISE, 5)
                self.tracker.add(i, self.time_s + since - since[0], told, self.read(i, true, poses.T))
            self.time_s += 0.05
            self.track.append((self.time_s, self.tracker.estimate(), poses[-1]))
        return self.tracker.estimate()

    def motions(self) -> list[str]:
        """The states in the order they came, repeats left out."""
        names = [t.motion for _, t, _ in self.track]
        return [name for i, name in enumerate(names) if i == 0 or name != names[i - 1]]


def settle(start: FloatArray, end: FloatArray) -> Motion:
    return lambda since: end + (start - end) * np.exp(-since / 0.4)


def shimmed(pose: FloatArray, vertical: float) -> FloatArray:
    """The pose with a share of its vertical misalignment left."""
    return pose * np.array([1.0, 1.0, vertical, vertical])


def in_u(track: Track, truth: FloatArray) -> FloatArray:
    return (track.belief.pose - truth) / np.sqrt(np.diag(track.belief.pose_cov))


def test_a_vertical_correction_is_followed_until_it_has_settled() -> None:
    bench = Bench(1)
    bench.stand(2.0, 358.0, START)
    done = shimmed(START, 0.0)
    bench.stand(6.0, 358.0, settle(START, done))
    _, last, truth = bench.track[-1]
    assert last.motion == "settled"
    assert np.all(np.abs(in_u(last, truth)) < 3.5)
    assert abs(last.belief.pose[2]) < 5e-6
    order = bench.motions()
    assert order.index("settled") < order.index("moving")
    assert order[-1] == "settled"


def test_the_held_plane_stays_known_but_a_little_less_well() -> None:
    bench = Bench(2)
    before = np.sqrt(np.diag(bench.swept.pose_cov))
    bench.stand(2.0, 2.0, START)
    track = bench.stand(5.0, 2.0, settle(START, shimmed(START, 0.1)))
    after = np.sqrt(np.diag(track.belief.pose_cov))
    assert before[0] < after[0] < before[0] + 20e-6
    assert np.abs(track.belief.pose[:2] - START[:2]) == pytest.approx([0.0, 0.0], abs=6e-5)


def test_turning_the_shafts_to_another_angle_is_no_move_of_the_machine() -> None:
    bench = Bench(3)
    bench.stand(3.0, 0.0, START)
    bench.go(3.0, lambda s: np.radians(30.0 * s), START)
    track = bench.stand(3.0, 90.0, START)
    assert "moving" not in bench.motions()
    assert "turning" in bench.motions()
    assert track.motion == "settled"
    assert np.all(np.abs(in_u(track, START)) < 3.5)
    assert np.all(np.sqrt(np.diag(track.belief.pose_cov)) <= 1.01 * np.sqrt(np.diag(bench.swept.pose_cov)))


def test_parked_where_the_plane_does_not_show_nothing_is_claimed_after_a_move() -> None:
    # At 3 o'clock the detectors do not see up and down at all.
    bench = Bench(4)
    bench.stand(2.0, 90.0, START)
    sideways_jolt = START + np.array([50e-6, 0.0, 0.0, 0.0])
    track = bench.stand(4.0, 90.0, settle(START, sideways_jolt))
    assert track.belief.observable[2:] == (False, False)


def test_standing_still_shrinks_the_uncertainty_and_never_claims_a_move() -> None:
    bench = Bench(5)
    bench.stand(2.0, 0.0, START)
    early = bench.stand(1.5, 0.0, settle(START, shimmed(START, 0.5)))
    bench.track.clear()
    late = bench.stand(20.0, 0.0, shimmed(START, 0.5))
    u_early, u_late = (np.sqrt(np.diag(t.belief.pose_cov))[3] for t in (early, late))
    assert u_late < u_early
    assert bench.motions()[-2:] == ["settling", "settled"]
    assert bench.motions().count("settled") == 1


def test_what_is_said_after_moves_is_as_uncertain_as_stated() -> None:
    # 40 rigs with hidden zero, gain and distance errors; both planes corrected one after the other.
    errors = []
    for seed in range(40):
        bench = Bench(100 + seed)
        bench.stand(1.0, 358.0, START)
        half = shimmed(START, 0.3)
        at_12 = bench.stand(4.0, 358.0, settle(START, half))
        errors.append(in_u(at_12, half)[2:])
        bench.go(3.0, lambda s: np.radians(358.0 + 30.0 * s), half)
        bench.tracker.choose(vertical=False)
        bench.stand(1.0, 448.0, half)
        done = half * np.array([0.05, 0.05, 1.0, 1.0])
        at_3 = bench.stand(4.0, 448.0, settle(half, done))
        errors.append(in_u(at_3, done)[:2])
    inside = np.abs(np.array(errors)) < 1.96
    # 160 figures, 95 % stated; a binomial's 4 sd below, and never so cautious as to say nothing.
    assert inside.mean() > 0.95 - 4 * (0.95 * 0.05 / inside.size) ** 0.5
    assert np.array(errors).std() > 0.3
