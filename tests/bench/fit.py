"""Fits: one sweep fit and one look of the tracker, beside numpy.linalg.lstsq on the same design."""

import statistics
import time
from collections.abc import Callable
from functools import partial

import numpy as np
from figures import Figure
from numpy.typing import NDArray

from heads import JOB, RIG
from livealign.config.load import load_pair
from livealign.model.rig import RigModel
from livealign.model.sweep import Sweep
from livealign.model.tracker import Tracker
from livealign.session.setup import build

__all__ = ["measure"]

RUNS = 30
SIZES = (900, 8000)
FRESH = 10
"""New readings a detector between two fits of a running rotation."""
STILL_S = 3.0
_POSE = np.array([-0.15e-3, -0.2e-3, 0.30e-3, 0.4e-3])

Floats = NDArray[np.float64]


def measure() -> list[Figure]:
    model = build(*load_pair(JOB, RIG)).model
    figures = []
    for size in SIZES:
        figures += _sweep(model, size)
    return [*figures, _tracker(model)]


def _sweep(model: RigModel, size: int) -> list[Figure]:
    rng = np.random.default_rng(size)
    angle = np.linspace(0.0, 2.0 * np.pi, size)
    readings = [_readings(model, i, angle, rng) for i in range(len(model.detectors))]
    more = [_readings(model, i, angle[:FRESH], rng) for i in range(len(model.detectors))]
    cold, warm, plain = [], [], []
    for _ in range(RUNS):
        sweep = Sweep(model)
        for i, values in enumerate(readings):
            sweep.add(i, angle, values)
        cold.append(_ms(sweep.fit))
        for i, values in enumerate(more):
            sweep.add(i, angle[:FRESH], values)
        warm.append(_ms(partial(sweep.fit, live=True)))
        plain.append(_lstsq_ms(model, angle, readings))
    bare = statistics.median(plain)
    name = f"{size} readings a detector"
    return [
        Figure(f"sweep, {name}, first fit", statistics.median(cold), "ms", bare, "lstsq"),
        Figure(f"sweep, {name}, fit again", statistics.median(warm), "ms", bare, "lstsq"),
    ]


def _tracker(model: RigModel) -> Figure:
    """Look at a machine that has been still for a while since it moved."""
    rng = np.random.default_rng(1)
    turn = np.linspace(0.0, 2.0 * np.pi, SIZES[0])
    sweep = Sweep(model)
    for i in range(len(model.detectors)):
        sweep.add(i, turn, _readings(model, i, turn, rng))
    fit = sweep.fit()
    if fit is None:
        raise RuntimeError("the sweep gave no fit")
    tracker = Tracker(model, fit.belief, fit.noise_m, fit.excess_m, vertical=True)
    time_s = np.arange(0.0, 2.0 * STILL_S, 0.01)
    parked = np.zeros(time_s.size)
    moved = np.where(time_s < STILL_S, 0.0, 0.1e-3)
    readings = [_readings(model, i, parked, rng) + moved for i in range(len(model.detectors))]
    for i, values in enumerate(readings):
        tracker.add(i, time_s, parked, values)
    looks = [_ms(tracker.estimate) for _ in range(RUNS)]
    since = time_s >= STILL_S
    plain = [_lstsq_ms(model, parked[since], [values[since] for values in readings]) for _ in range(RUNS)]
    return Figure(
        f"tracker, {STILL_S:g} s after a move",
        statistics.median(looks),
        "ms",
        statistics.median(plain),
        "lstsq",
    )


def _readings(model: RigModel, index: int, angle: Floats, rng: np.random.Generator) -> Floats:
    parameters = np.concatenate([np.zeros(len(model.detectors)), _POSE])
    return model.rows(index, np.sin(angle), np.cos(angle)) @ parameters + rng.normal(0.0, 1e-6, angle.size)


def _lstsq_ms(model: RigModel, angle: Floats, readings: list[Floats]) -> float:
    design = np.concatenate([model.rows(i, np.sin(angle), np.cos(angle)) for i in range(len(readings))])
    values = np.concatenate(readings)
    return _ms(lambda: np.linalg.lstsq(design, values))


def _ms(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return 1e3 * (time.process_time() - begin)
