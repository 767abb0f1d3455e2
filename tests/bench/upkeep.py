"""Upkeep: what a reading costs a sweep of 1e3 to 1e7 readings fitted 20 times a second, beside fitting all anew."""

import gc
import statistics
import time
from collections.abc import Callable

import numpy as np
import psutil
from figures import Figure
from numpy.typing import NDArray
from scipy.optimize import least_squares

from heads import JOB, RATE_HZ, RIG
from livealign.config.load import load_pair
from livealign.model.rig import RigModel
from livealign.model.sweep import Sweep
from livealign.session.setup import build

__all__ = ["measure"]

SIZES = (1_000, 10_000, 100_000, 1_000_000, 10_000_000)
"""Readings of all detectors together."""
BLOCK = 5
"""Readings a detector between two fits: 100 a second, 20 fits."""
UPDATES, SHARE = 200, 20
"""Fits timed at each size, and fits to a share of them; the median share is told."""
FILL = 5_000
"""Between the sizes readings come in blocks of so many a detector, without a fit: else it would take hours."""
LSTSQ_SIZES, LSTSQ_RUNS = (1_000, 10_000, 100_000, 1_000_000), 5
SCIPY_SIZES, SCIPY_RUNS = (1_000, 10_000, 100_000), 3
MOST_GROWTH = 1.1
_NOISE_M = 2e-6
_POSE = np.array([-0.15e-3, -0.2e-3, 0.30e-3, 0.4e-3])
_TURN_S = 40.0

Floats = NDArray[np.float64]


def measure() -> list[Figure]:
    model = build(*load_pair(JOB, RIG)).model
    cost, memory = _ours(model)
    figures = [
        Figure(
            f"a reading at {size:.0e}, 20 fits a second",
            1e6 * cost[size],
            "us",
            1e6 * cost[SIZES[0]],
            f"at {SIZES[0]:.0e}",
            f"<= {MOST_GROWTH}",
            cost[size] <= MOST_GROWTH * cost[SIZES[0]],
        )
        for size in SIZES[1:]
    ]
    full, last = memory[SIZES[2]], memory[SIZES[-1]]
    figures.append(
        Figure(
            f"resident memory at {SIZES[-1]:.0e}",
            last,
            "MB",
            full,
            f"at {SIZES[2]:.0e}",
            f"<= {MOST_GROWTH}",
            last <= MOST_GROWTH * full,
        )
    )
    for name, sizes, runs, refit in (
        ("lstsq on all", LSTSQ_SIZES, LSTSQ_RUNS, _lstsq),
        ("least_squares on all", SCIPY_SIZES, SCIPY_RUNS, _scipy),
    ):
        for size in sizes:
            speed, plain = 1.0 / cost[size], _plain(model, size, runs, refit)
            figures.append(Figure(f"readings through at {size:.0e}", speed, "1/s", plain, name))
    return figures


def _ours(model: RigModel) -> tuple[dict[int, float], dict[int, float]]:
    """Return the processor time a reading, and the memory in MB, at each size."""
    source = _Source(model)
    sweep, cost, memory = Sweep(model), {}, {}
    for size in SIZES:
        missing = size - sweep.readings
        while missing > 0:
            n = min(FILL, -(-missing // len(model.detectors)))
            source.into(sweep, n)
            missing = size - sweep.readings
        sweep.fit(live=True)
        blocks = [source.readings(BLOCK) for _ in range(UPDATES)]
        cost[size] = statistics.median(
            _upkeep(sweep, blocks[start : start + SHARE]) for start in range(0, UPDATES, SHARE)
        )
        del blocks
        gc.collect()
        memory[size] = psutil.Process().memory_info().rss / 1e6
    return cost, memory


def _upkeep(sweep: Sweep, blocks: list[list[tuple[Floats, Floats, Floats]]]) -> float:
    """Add the blocks with a fit after each; return the processor time a reading."""
    before, begin = sweep.readings, time.process_time()
    for block in blocks:
        for i, columns in enumerate(block):
            sweep.add(i, *columns)
        sweep.fit(live=True)
    return (time.process_time() - begin) / (sweep.readings - before)


class _Source:
    """Readings of all detectors while the shafts are turned to and fro."""

    def __init__(self, model: RigModel) -> None:
        self._model = model
        self._rng = np.random.default_rng(0)
        self._taken = 0

    def readings(self, n: int) -> list[tuple[Floats, Floats, Floats]]:
        """Return the next angles, positions and times of each detector."""
        time_s = (self._taken + np.arange(n)) / RATE_HZ
        self._taken += n
        angle = np.pi * (1.0 - np.cos(2.0 * np.pi * time_s / _TURN_S))
        parameters = np.concatenate([np.zeros(len(self._model.detectors)), _POSE])
        found = []
        for i, d in enumerate(self._model.detectors):
            value = self._model.rows(i, np.sin(angle), np.cos(angle)) @ parameters
            told = angle + self._rng.normal(0.0, d.angle_noise_rad, n)
            found.append((told, value + self._rng.normal(0.0, _NOISE_M, n), time_s))
        return found

    def into(self, sweep: Sweep, n: int) -> None:
        for i, columns in enumerate(self.readings(n)):
            sweep.add(i, *columns)


def _plain(model: RigModel, size: int, runs: int, refit: Callable[[Floats, Floats], object]) -> float:
    """Return readings a second if every block of them has all fitted anew, the design being ready."""
    found = _Source(model).readings(size // len(model.detectors))
    rows = np.concatenate([model.rows(i, np.sin(a), np.cos(a)) for i, (a, _, _) in enumerate(found)])
    values = np.concatenate([v for _, v, _ in found])
    refit(rows, values)
    begin = time.process_time()
    for _ in range(runs):
        refit(rows, values)
    return runs * BLOCK * len(model.detectors) / (time.process_time() - begin)


def _lstsq(rows: Floats, values: Floats) -> object:
    return np.linalg.lstsq(rows, values, rcond=None)


def _scipy(rows: Floats, values: Floats) -> object:
    """Robustly, from nothing, with the derivatives given."""
    start = np.zeros(rows.shape[1])
    return least_squares(lambda x: rows @ x - values, start, lambda _: rows, loss="soft_l1", f_scale=_NOISE_M)
