"""A machine that creeps is not settled, one that rests is, whatever the noise of its heads remembers."""

from itertools import pairwise

import numpy as np
import pytest

from livealign.model.creep import ALLOWED_M_S, Creep
from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.model.sweep import Sweep
from livealign.model.tracker import Track, Tracker

NOISE_M = 2e-6
MODEL = RigModel(
    tuple(
        Detector(name, x, sign, 0.0, 0.0, NOISE_M, 1e-4, i, i)
        for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
    ),
    beta_covariance([1e-3] * 2, [1e-3] * 2, np.diag([5e-4] * 4) ** 2),
    2,
    np.array([0.33, 0.75]),
    (2, 3),
)


def noise(rng: np.random.Generator, n: int, memory: float) -> FloatArray:
    values = rng.normal(0.0, NOISE_M, n)
    for i in range(1, n):
        values[i] = memory * values[i - 1] + (1.0 - memory**2) ** 0.5 * values[i]
    return values


def watch(rise: FloatArray, *, seed: int = 1, memory: float = 0.0) -> list[Track]:
    """Look twice a second at a machine that rises like this, read 100 times a second, parked at 12 o'clock."""
    rng = np.random.default_rng(seed)
    sweep = Sweep(MODEL)
    turn = np.linspace(0.0, 5.0, 900)
    for i in range(2):
        sweep.add(i, turn, noise(rng, 900, memory))
    fit = sweep.fit()
    assert fit is not None
    tracker = Tracker(MODEL, fit.belief, fit.noise_of_means_m, fit.excess_m, vertical=True)
    time_s, parked = np.arange(rise.size) / 100.0, np.zeros(rise.size)
    values = [d.sign * rise + noise(rng, rise.size, memory) for d in MODEL.detectors]
    tracks = []
    for start in range(0, rise.size, 50):
        part = slice(start, start + 50)
        for i in range(2):
            tracker.add(i, time_s[part], parked[part], values[i][part])
        tracks.append(tracker.estimate())
    return tracks


def test_a_machine_that_creeps_is_not_settled_and_how_fast_it_creeps_is_told() -> None:
    time_s: FloatArray = np.arange(6000) / 100.0
    tracks = watch(5e-6 / 60.0 * time_s)
    assert "settled" not in {t.motion for t in tracks[40:]}  # from 20 s on
    assert "moving" not in {t.motion for t in tracks}
    rate = tracks[-1].creep_m_s
    assert rate is not None
    assert abs(rate) == pytest.approx(5e-6 / 60.0, rel=0.3)
    assert tracks[-1].seconds_left is None
    assert tracks[-1].belief.pose[2] == pytest.approx(5e-6, abs=1.5e-6)  # the mean does not lag


def test_once_the_creeping_has_ended_the_machine_settles() -> None:
    time_s: FloatArray = np.arange(6000) / 100.0
    tracks = watch(30e-6 / 60.0 * np.minimum(time_s, 15.0))
    assert tracks[29].motion == "settling"
    assert tracks[-1].motion == "settled"
    assert tracks[-1].creep_m_s is None


def test_a_real_move_is_seen_through_the_creeping() -> None:
    time_s = np.arange(4000) / 100.0
    tracks = watch(5e-6 / 60.0 * time_s + np.where(time_s < 30.02, 0.0, 20e-6))
    assert tracks[59].motion == "settling"
    assert tracks[60].motion == "moving"  # at 30.5 s
    assert tracks[-1].belief.pose[2] == pytest.approx(23e-6, abs=3e-6)


def test_an_approach_that_has_ended_is_no_creep() -> None:
    # The tail of what has settled stays in the window of the trend.
    time_s = np.arange(1500) / 100.0
    for seed in range(10):
        tracks = watch(-1e-4 * np.expm1(-time_s / 0.5), seed=seed)
        assert [t.motion for t in tracks[14:]].count("settled") >= 14  # of 16, from 7.5 s on


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
def test_a_machine_at_rest_is_settled_and_does_not_move(memory: float) -> None:
    motions = [t.motion for seed in range(3) for t in watch(np.zeros(9000), seed=seed, memory=memory)]
    moves = sum(b == "moving" != a for a, b in pairwise(motions))
    # Of 270 s: 1600 moves an hour were seen before correlation counted, 120 of them in such a time.
    assert moves <= 2
    assert motions.count("settled") > 0.9 * len(motions)


def test_a_slope_within_the_allowance_is_rest() -> None:
    creep = Creep()
    for i in range(600):
        creep.add(0.1 * i, 0.5 * ALLOWED_M_S * 0.1 * i, 1e-8, 0.1)
    assert creep.rate_m_s is None
    for i in range(600, 1200):
        creep.add(0.1 * i, 2.0 * ALLOWED_M_S * 0.1 * i, 1e-8, 0.1)
    assert creep.rate_m_s == pytest.approx(2.0 * ALLOWED_M_S)
