"""Tracking: how soon a moved machine is followed, and how often a creeping or resting one is called what it is not."""

from itertools import pairwise

import numpy as np
from figures import Figure, percentile
from numpy.typing import NDArray

from heads import JOB, RATE_HZ, RIG
from livealign.config.load import load_pair
from livealign.model.rig import RigModel
from livealign.model.sweep import Sweep
from livealign.model.tracker import Tracker
from livealign.session.setup import build

__all__ = ["measure"]

RUNS = 50
STEP_M, WITHIN_M, NOISE_M = 0.5e-3, 10e-6, 2e-6
TIME_CONSTANT_S = 0.5
BEFORE_S, AFTER_S = 3.0, 4.0
LOOK = 2
"""Readings a detector between two looks after a step: 50 looks a second."""

CREEP_M_S = 5e-6 / 60.0
HOURS, STRETCH_S, LONG_LOOK = 2.0, 600.0, 50
"""The long runs: so many hours, in stretches of ten minutes, with two looks a second."""
MEMORY = 0.5
"""Autocorrelation of noise from one reading to the next."""

SIGMAS = 5.0
"""The plain alternative calls a machine moving if the means of its last two seconds differ by more, else settled."""
_POSE = np.array([-0.15e-3, -0.2e-3, 0.30e-3, 0.4e-3])
_RISEN = np.array([0.0, 0.0, 1.0, 0.0])

Floats = NDArray[np.float64]


def measure() -> list[Figure]:
    model = build(*load_pair(JOB, RIG)).model
    figures = []
    for name, settling_s in (("step", 0.0), (f"step settling with {TIME_CONSTANT_S:g} s", TIME_CONSTANT_S)):
        lags = np.array([_lags(model, seed, settling_s) for seed in range(RUNS)])
        for word, q in (("median", 50), ("worst", 100)):
            ours, plain = (1e3 * percentile(column, q) for column in lags.T)
            figures.append(Figure(f"{name}: {word} lag", ours, "ms", plain, "mean of 1 s"))
    for name, rate, memory, words in (
        ("creeping 5 um/min", CREEP_M_S, 0.0, ("settled",)),
        ("at rest", 0.0, 0.0, ("settled", "moving")),
        (f"at rest, noise with memory {MEMORY:g}", 0.0, MEMORY, ("settled", "moving")),
    ):
        ours, plain = _called(model, rate, memory)
        for word in words:
            share, plain_share = (
                100.0 * sum(s.count(word) for s in c) / sum(map(len, c)) for c in (ours, plain)
            )
            figures.append(Figure(f"{name}: time called {word}", share, "%", plain_share, "means of 1 s"))
            times, plain_times = (_times(c, word) / HOURS for c in (ours, plain))
            figures.append(Figure(f"{name}: called {word} anew", times, "1/h", plain_times, "means of 1 s"))
    return figures


def _follow(model: RigModel, rng: np.random.Generator, memory: float = 0.0) -> Tracker:
    """Begin where a rotation of a machine at `_POSE` has ended."""
    angle = np.linspace(0.0, 1.5 * np.pi, 900)
    sweep = Sweep(model)
    for i, d in enumerate(model.detectors):
        told = angle + rng.normal(0.0, d.angle_noise_rad, angle.size)
        sweep.add(i, told, _seen(model, i, angle, _POSE) + _noise(rng, angle.size, memory))
    fit = sweep.fit()
    if fit is None:
        raise RuntimeError("the sweep gave no fit")
    return Tracker(model, fit.belief, fit.noise_of_means_m, fit.excess_m, vertical=True)


def _seen(model: RigModel, index: int, angle: Floats, pose: Floats) -> Floats:
    parameters = np.concatenate([np.zeros(len(model.detectors)), pose])
    return model.rows(index, np.sin(angle), np.cos(angle)) @ parameters


def _noise(rng: np.random.Generator, n: int, memory: float) -> Floats:
    """First-order autoregressive noise of the same standard deviation whatever its memory."""
    noise = rng.normal(0.0, NOISE_M, n)
    if memory:
        fresh = (1.0 - memory**2) ** 0.5
        for i in range(1, n):
            noise[i] = memory * noise[i - 1] + fresh * noise[i]
    return noise


def _told(
    model: RigModel, rng: np.random.Generator, rise: Floats, memory: float = 0.0
) -> tuple[list[Floats], list[Floats]]:
    """Return the angles and positions that each detector tells, parked at 12 o'clock, of a machine that rises."""
    at = np.zeros(1)
    angles = [rng.normal(0.0, d.angle_noise_rad, rise.size) for d in model.detectors]
    values = [
        _seen(model, i, at, _POSE) + rise * _seen(model, i, at, _RISEN) + _noise(rng, rise.size, memory)
        for i in range(len(model.detectors))
    ]
    return angles, values


def _lags(model: RigModel, seed: int, settling_s: float) -> tuple[float, float]:
    """Return the time from the machine's being within 10 um until the estimate is for good; and the plain mean's."""
    rng = np.random.default_rng(seed)
    tracker = _follow(model, rng)
    time_s = np.arange(round((BEFORE_S + AFTER_S) * RATE_HZ)) / RATE_HZ
    there_s = moved_s = BEFORE_S + rng.uniform(0.0, 0.2)
    since = time_s - moved_s
    rise = np.where(since > 0.0, STEP_M, 0.0)
    if settling_s:
        rise = -STEP_M * np.expm1(-np.maximum(since, 0.0) / settling_s)
        there_s += settling_s * float(np.log(STEP_M / WITHIN_M))
    angles, values = _told(model, rng, rise)
    offset = []
    for start in range(0, time_s.size, LOOK):
        part = slice(start, start + LOOK)
        for i, (angle, value) in enumerate(zip(angles, values, strict=True)):
            tracker.add(i, time_s[part], angle[part], value[part])
        offset.append(tracker.estimate().belief.pose[2] - _POSE[2])
    means = _means(_plain_rise(model, values))
    return _late(time_s[LOOK - 1 :: LOOK], np.array(offset), there_s), _late(time_s, means, there_s)


def _late(time_s: Floats, rise: Floats, there_s: float) -> float:
    """Return how long after the machine a course comes within 10 um of its end and stays."""
    outside = np.flatnonzero(np.abs(rise - STEP_M) > WITHIN_M)
    return float(time_s[outside[-1] + 1]) - there_s


def _plain_rise(model: RigModel, values: list[Floats]) -> Floats:
    """Return the machine's rise reading by reading: the two heads' mean, as they lie symmetrically."""
    at = np.zeros(1)
    rises = [(v - _seen(model, i, at, _POSE)) / _seen(model, i, at, _RISEN) for i, v in enumerate(values)]
    mean: Floats = np.mean(rises, axis=0)
    return mean


def _means(rise: Floats) -> Floats:
    """Return the mean of the last second at each reading; of what there is at the beginning."""
    total = np.concatenate([np.zeros(1), np.cumsum(rise)])
    end = np.arange(1, total.size)
    begin = np.maximum(end - RATE_HZ, 0)
    means: Floats = (total[end] - total[begin]) / (end - begin)
    return means


def _called(model: RigModel, rate_m_s: float, memory: float) -> tuple[list[list[str]], list[list[str]]]:
    """Return what a slowly rising machine is called at each look of each stretch: by the tracker, and plainly."""
    ours, plain = [], []
    for seed in range(round(HOURS * 3600.0 / STRETCH_S)):
        rng = np.random.default_rng(seed)
        tracker = _follow(model, rng, memory)
        time_s = np.arange(round(STRETCH_S * RATE_HZ)) / RATE_HZ
        angles, values = _told(model, rng, rate_m_s * time_s, memory)
        words = []
        for start in range(0, time_s.size, LONG_LOOK):
            part = slice(start, start + LONG_LOOK)
            for i, (angle, value) in enumerate(zip(angles, values, strict=True)):
                tracker.add(i, time_s[part], angle[part], value[part])
            words.append(tracker.estimate().motion)
        ours.append(words)
        rise = _plain_rise(model, values)
        means = _means(rise)[2 * RATE_HZ - 1 :: LONG_LOOK]
        earlier = _means(rise)[RATE_HZ - 1 : -RATE_HZ : LONG_LOOK]
        limit = SIGMAS * NOISE_M * (2.0 / (len(values) * RATE_HZ)) ** 0.5
        plain.append(["moving" if apart > limit else "settled" for apart in np.abs(means - earlier)])
    return ours, plain


def _times(stretches: list[list[str]], word: str) -> int:
    """Return how often a word came anew; the first time that a stretch is settled is no news."""
    times = sum(b == word != a for words in stretches for a, b in pairwise(words))
    return times - sum(word == "settled" != words[0] for words in stretches if word in words)
