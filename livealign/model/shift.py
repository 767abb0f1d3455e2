"""How far the movable axis has moved between two rests, from the change of the readings at one parking angle.

Constants and sags cancel in a difference, so neither a rotation nor a pose is needed. A parked rig sees fewer numbers than
the four of a movement: an allowance says what the movement may be, and what is hardly better known afterwards is not known.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livealign.model.rig import POSE, FloatArray, RigModel
from livealign.model.steadiness import STEADY_BELOW
from livealign.model.window import Block, Window

__all__ = ["Rest", "Shift", "Watch", "shift"]

_SETTLED_S = 1.5
_MOVING_S = 0.5
_LEAST_BLOCKS = 6
_SAME_ANGLE_RAD = np.radians(0.3)
"""Rests at angles further apart are not compared."""
_APART_M = 1e-3
"""A reading changes with the angle by no more than this times the change: the axes are so close together."""
_LEARNT = 0.5
"""A figure that stays above this share of its allowance is not known."""


@dataclass(frozen=True)
class Rest:
    """Means of the detectors while nothing moved; None for one that sent nothing."""

    blocks: tuple[Block | None, ...]
    variance: tuple[float, ...]
    """Of each mean; 0 for one that sent nothing."""

    @property
    def angle_rad(self) -> float | None:
        """Where the shafts were parked."""
        return next((b.angle for b in self.blocks if b is not None), None)


@dataclass(frozen=True)
class Shift:
    """A movement of the axis."""

    mean: FloatArray
    """(4,) of Y0, Y', Z0, Z' in m and rad."""
    cov: FloatArray
    """(4, 4)."""
    known: tuple[bool, bool, bool, bool]

    def at(self, x_m: float, *, vertical: bool) -> tuple[float, float]:
        """Return the movement in a plane x and its standard uncertainty, m."""
        first = 2 if vertical else 0
        row = np.zeros(POSE)
        row[first : first + 2] = 1.0, x_m
        return float(row @ self.mean), float(row @ self.cov @ row) ** 0.5


class Watch:
    """Watches the readings of all detectors for rests."""

    def __init__(self, model: RigModel) -> None:
        """Begin with nothing."""
        self._windows = [Window(d.noise_m) for d in model.detectors]
        self._clock_s = -np.inf
        self._since_s: float | None = None

    def add(self, index: int, time_s: FloatArray, angle_rad: FloatArray, value_m: FloatArray) -> None:
        """Take readings of detector `index` in order of time."""
        window = self._windows[index]
        for block in window.add(time_s, angle_rad, 0.0, value_m):
            self._clock_s = max(self._clock_s, block.end_s)
            if self._since_s is None:
                self._since_s = block.start_s
            stepped = window.keep(block)
            if stepped is not None:
                self._let_go(stepped)
        stepped = window.stepped_now()
        if stepped is not None:
            self._let_go(stepped)

    def begin_anew(self, from_s: float) -> None:
        """Let go of all readings before a time."""
        self._let_go(from_s)

    @property
    def still_s(self) -> float:
        """How long nothing has moved."""
        return 0.0 if self._since_s is None else max(0.0, self._clock_s - self._since_s)

    def rest(self) -> Rest | None:
        """Return the present rest; None while something moves or settles, or nothing comes."""
        heard = [w for w in self._windows if w.blocks]
        if not heard or self.still_s < _SETTLED_S or any(w.blocks < _LEAST_BLOCKS for w in heard):
            return None
        if any(w.unrest > STEADY_BELOW or w.creep_m_s is not None for w in heard):
            return None
        blocks = tuple(w.mean(newest=False) if w.blocks else None for w in self._windows)
        variance = tuple(
            0.0 if b is None else w.noise_m**2 / b.n + b.trend**2 + w.floor_m**2
            for w, b in zip(self._windows, blocks, strict=True)
        )
        return Rest(blocks, variance)

    def _let_go(self, from_s: float) -> None:
        self._clock_s = max(self._clock_s, from_s)
        self._since_s = from_s
        for window in self._windows:
            window.restart(from_s, moved=self._clock_s - from_s < _MOVING_S)


def shift(model: RigModel, before: Rest, after: Rest, allowance: Sequence[float]) -> Shift | None:
    """Return the movement between two rests; None if they are not at one angle, or no detector was heard in both.

    Args:
        model: the rig.
        before: the earlier rest.
        after: the later one.
        allowance: (4,) standard deviations of what Y0, Y', Z0, Z' may move, in m and rad.
    """
    rows, change, variance, used = [], [], [], []
    for i, (one, other) in enumerate(zip(before.blocks, after.blocks, strict=True)):
        if one is None or other is None:
            continue
        turned = other.angle - one.angle
        if abs(turned) > _SAME_ANGLE_RAD:
            return None
        rows.append((i, (one.angle + other.angle) / 2.0 + model.detectors[i].phase_rad))
        change.append(other.value - one.value)
        variance.append(before.variance[i] + after.variance[i] + (_APART_M * turned) ** 2)
        used.append(i)
    if not used:
        return None
    k = len(model.detectors)
    trig = [(i, np.array([np.sin(a)]), np.array([np.cos(a)])) for i, a in rows]
    h = np.array([model.rows(i, sin, cos)[0, k:] for i, sin, cos in trig])
    y, prior = np.array(change), np.diag(np.square(np.asarray(allowance, dtype=float)))
    # What does not change between the rests cancels: sags and the roundness of rims.
    beta = model.sensors + k + _points(model)
    mean, cov = np.zeros(POSE), prior
    for _ in range(2):  # how much a systematic quantity matters depends on the movement itself
        s = np.array([model.systematic_rows(i, sin, cos, mean)[0, :beta] for i, sin, cos in trig])
        noise = np.diag(variance) + s @ model.beta_cov[:beta, :beta] @ s.T
        gain = prior @ h.T @ np.linalg.inv(h @ prior @ h.T + noise)
        mean, cov = gain @ y, prior - gain @ h @ prior
    cov = (cov + cov.T) / 2.0
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    y0, y1, z0, z1 = (bool(v < _LEARNT * a) for v, a in zip(u, allowance, strict=True))
    return Shift(mean, cov, (y0, y1, z0, z1))


def _points(model: RigModel) -> int:
    """Return the number of measured points."""
    behind = sum(d.sag_beta is not None for d in model.detectors) + sum(
        d.rim_beta is not None for d in model.detectors
    )
    return int(model.beta_cov.shape[0]) - model.sensors - len(model.detectors) - behind
