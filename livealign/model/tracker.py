"""Following the machine while it is adjusted: state and covariance of the sweep, carried through the moves.

Parked at one angle two facing detectors show two numbers and the pose has four. The plane being adjusted is
left free whenever the machine moves; the other is held with a small allowance. What is known before the moves (constants,
held plane, systematic quantities) is the base; the readings since the machine last moved update it.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from livealign.model.belief import Belief
from livealign.model.coverage import sees_both_planes
from livealign.model.rig import POSE, Detector, FloatArray, RigModel
from livealign.model.steadiness import STEADY_BELOW
from livealign.model.window import Block, Window

__all__ = ["SETTLED_AFTER_S", "Motion", "Track", "Tracker"]

Motion = Literal["unknown", "turning", "moving", "settling", "settled"]

SETTLED_AFTER_S = 1.5
"""Least time at rest before the machine counts as settled."""
_UNSETTLED = 2.0 * STEADY_BELOW
"""Once settled, one noisy second does not unsettle the machine."""
_MOVING_S = 0.5
_TURN_NOTICED_S = 0.4
"""A turn of the shafts may look like a move of the machine for this long."""
_LEAST_BLOCKS = 6
_TURNING_RAD_S = np.radians(1.5)
_ANGLE_STEP = 5.0
"""Standard deviations by which an angle must have changed to count as turned."""
_PARKED_WITHIN_RAD = np.radians(0.7)
_FREE_M, _FREE_SLOPE = 0.05, 0.1
"""Standard deviations of a plane about which nothing is known."""
_HELD_M, _HELD_SLOPE = 5e-6, 2e-5
"""What one move in the other plane may do to the held one."""
_AT_REST_M = 2e-6
"""So close to its final value the machine counts as at rest."""
_HELD_MOVED_M = 5e-6
_SURPRISE = 36.0
"""Squared standard deviations by which readings may differ from what was expected."""
_UNKNOWN_M, _UNKNOWN_SLOPE = 5e-3, 2e-2
"""A standard uncertainty above these is no knowledge."""


@dataclass(frozen=True)
class Track:
    """What the tracker says at one moment."""

    belief: Belief
    motion: Motion
    still_s: float
    """How long nothing has moved."""
    parked_rad: float | None
    """Shaft angle; None while turning or before the first reading."""

    seconds_left: float | None = None
    """Time until settled, if nothing moves again; None when there is nothing to wait for, or no telling."""
    final: Belief | None = None
    """Where the machine is heading, while it settles."""
    surprised: bool = False
    """The machine seems to have moved while the shafts were turned."""
    creep_m_s: float | None = None
    """How fast the reading that creeps most does, while it is too fast to be called settled."""
    held_shift_m: float | None = None
    """How far the held plane seems to have moved at the coupling, where the rig sees both planes and is sure."""


class Tracker:
    """Carries a belief through moves of one plane at a time, at any parking angle."""

    def __init__(
        self, model: RigModel, belief: Belief, noise_m: FloatArray, excess_m: float, *, vertical: bool
    ) -> None:
        """Start from a sweep's belief.

        Args:
            model: the rig.
            belief: the sweep's.
            noise_m: (K,) standard deviation of a mean of n readings, times the root of n.
            excess_m: how well readings at one angle repeat beyond their noise.
            vertical: whether the vertical plane is to be adjusted; else the horizontal.
        """
        self._model = model
        self._base = belief
        self._excess = excess_m
        self._vertical = vertical
        self._windows = [Window(float(s)) for s in noise_m]
        self._moves = 0
        self._moved = False
        self._before_move: Belief | None = None
        self._turning = False
        self._settled = False
        self._surprised = False
        self._both: tuple[int, bool] | None = None
        """Degree of parking, and whether both planes are seen from there."""
        self._last_block: list[Block | None] = [None] * len(noise_m)
        self._clock_s = -np.inf
        self._still_since_s: float | None = None

    def choose(self, *, vertical: bool) -> None:
        """Adjust this plane from now on: what is known becomes the base."""
        if vertical != self._vertical:
            self._commit()
            self._vertical = vertical

    def add(self, index: int, time_s: FloatArray, angle_rad: FloatArray, value_m: FloatArray) -> None:
        """Take readings of detector `index` in order of time: calibrated positions at continuous shaft angles."""
        d = self._model.detectors[index]
        window = self._windows[index]
        seen = angle_rad + d.phase_rad
        for block in window.add(time_s, angle_rad, d.phase_rad, value_m - d.sag_m * np.cos(seen)):
            self._clock_s = max(self._clock_s, block.end_s)
            if self._is_turning(index, block):
                continue
            if self._still_since_s is None:
                self._still_since_s = block.start_s
            stepped = window.keep(block)
            if stepped is not None:
                self._let_go(stepped)
            elif not self._moved and window.blocks == _LEAST_BLOCKS and self._surprises(index):
                self._surprised = True
                self._let_go(self._still_since_s)
            elif not self._moved and window.creep_m_s is not None:
                self._let_go(window.start_s)
        stepped = None if self._turning else window.stepped_now()
        if stepped is not None:
            self._let_go(stepped)

    def estimate(self) -> Track:
        """Return the belief from everything since the last move."""
        means = [w.mean() for w in self._windows]
        parked = next((m.angle for m in means if m is not None), None)
        belief = self._posterior()
        if self._turning:
            return Track(belief, "turning", 0.0, None)
        if self._still_since_s is None:
            return Track(belief, "unknown", 0.0, parked)
        still = max(0.0, self._clock_s - self._still_since_s)
        motion = self._motion(still)
        left, final = self._ahead(still) if motion in {"moving", "settling"} else (None, None)
        return Track(
            belief=belief,
            motion=motion,
            still_s=still,
            parked_rad=parked,
            seconds_left=left,
            final=final,
            surprised=self._surprised,
            creep_m_s=self._creep() if motion == "settling" else None,
            held_shift_m=self._held_shift(belief),
        )

    def _creep(self) -> float | None:
        rates = [w.creep_m_s for w in self._windows if w.creep_m_s is not None]
        return max(rates, key=abs, default=None)

    def _ahead(self, still: float) -> tuple[float | None, Belief | None]:
        """Return the time until settled and the pose then, from the course of the readings."""
        if self._creep() is not None:
            return None, None
        courses = [w.approach() for w in self._windows]
        if not any(courses):
            return (None if still < _MOVING_S else max(0.0, SETTLED_AFTER_S - still)), None
        wait = max(c.seconds_to(_AT_REST_M) for c in courses if c is not None)
        means = [w.mean() for w in self._windows]
        ends = [
            m if m is None or c is None else replace(m, value=c.final)
            for m, c in zip(means, courses, strict=True)
        ]
        prior = self._freed() if self._moved else self._base
        return wait + SETTLED_AFTER_S, self._seen(self._updated(prior, prior.pose, ends))

    def _held_shift(self, belief: Belief) -> float | None:
        """Return the held plane's movement since the base, where both planes are seen and it is beyond doubt."""
        if not self._moved or not self._sees_both():
            return None
        held = 0 if self._vertical else 2
        shift = float(belief.pose[held] - self._base.pose[held])
        u = float(belief.pose_cov[held, held] + self._base.pose_cov[held, held]) ** 0.5
        return shift if abs(shift) > max(_ANGLE_STEP * u, _HELD_MOVED_M) else None

    def _sees_both(self) -> bool:
        """Does the rig, parked where it is, see all four pose parameters at once?"""
        parked = next((m.angle for m in (w.mean() for w in self._windows) if m is not None), None)
        if parked is None:
            return False
        degree = round(float(np.degrees(parked)))
        if self._both is None or self._both[0] != degree:
            self._both = (degree, sees_both_planes(self._model, parked))
        return self._both[1]

    def _motion(self, still: float) -> Motion:
        if still < _MOVING_S and self._moved:
            return "moving"
        filled = all(w.blocks >= _LEAST_BLOCKS for w in self._windows if w.blocks)
        unrest = max(w.unrest for w in self._windows)
        restless = unrest > (_UNSETTLED if self._settled else STEADY_BELOW) or self._creep() is not None
        if still < SETTLED_AFTER_S or not filled or restless:
            self._settled = False
            return "settling"
        self._settled = True
        return "settled"

    def _is_turning(self, index: int, block: Block) -> bool:
        """Notice the shafts being turned; a new parking angle starts a new window on the knowledge gained at the old one."""
        before = self._last_block[index]
        self._last_block[index] = block
        if before is None:
            return False
        noise = self._model.detectors[index].angle_noise_rad * (1.0 / before.n + 1.0 / block.n) ** 0.5
        turned = abs(block.angle - before.angle) - _ANGLE_STEP * noise
        parked = self._windows[index].mean(newest=False)
        left = parked is not None and abs(block.angle - parked.angle) > _PARKED_WITHIN_RAD
        if turned > _TURNING_RAD_S * (block.end_s - before.end_s) or left:
            if not self._turning:
                self._commit(turning=True)
                self._turning = True
            self._windows[index].clear()
            return True
        if self._turning:
            self._turning = False
            for window in self._windows:
                window.clear()
            self._still_since_s = None
            return True
        return False

    def _surprises(self, index: int) -> bool:
        """Do the first readings at a parking angle contradict what the pose known makes them?"""
        window, d = self._windows[index], self._model.detectors[index]
        seen = window.mean(newest=False)
        if seen is None:
            return False
        h, variance = self._observation(index, d, window, seen, self._base.pose)
        off = seen.value - float(h @ self._base.mean)
        return off**2 > _SURPRISE * (float(h @ self._base.cov @ h) + variance) and abs(off) > _HELD_MOVED_M

    def _let_go(self, from_s: float) -> None:
        """The machine has moved: its plane is free, and only readings since then count."""
        still = 0.0 if self._still_since_s is None else from_s - self._still_since_s
        if not self._moved or still > _MOVING_S:
            self._before_move = self._posterior(newest=False)
        if not self._moved or still > SETTLED_AFTER_S:
            self._moves += 1
        self._moved = True
        self._settled = False
        self._still_since_s = from_s
        self._clock_s = max(self._clock_s, from_s)
        for window in self._windows:
            window.restart(from_s, moved=self._clock_s - from_s < _MOVING_S)

    def _commit(self, *, turning: bool = False) -> None:
        """Make what is known now the base for what comes; a move just noticed was none if the shafts are being turned."""
        just_moved = self._still_since_s is not None and self._clock_s - self._still_since_s < _TURN_NOTICED_S
        if turning and just_moved and self._before_move is not None:
            self._base = self._before_move
        else:
            self._base = self._posterior(newest=not turning)
        self._before_move = None
        self._surprised = False
        self._moves = 0
        self._moved = False
        self._still_since_s = None
        for window in self._windows:
            window.clear()

    def _posterior(self, *, newest: bool = True) -> Belief:
        """Update the base, with the adjusted plane free if the machine has moved, by the means of the windows."""
        prior = self._freed() if self._moved else self._base
        seen = [w.mean(newest=newest) for w in self._windows]
        belief = self._updated(prior, prior.pose, seen)
        if self._moved:
            # How much a systematic quantity matters depends on the pose: once more, at the one just found.
            belief = self._updated(prior, belief.pose, seen)
        return self._seen(belief)

    def _updated(self, prior: Belief, pose: FloatArray, seen: list[Block | None]) -> Belief:
        mean, cov = prior.mean, prior.cov
        for index, (d, window, block) in enumerate(
            zip(self._model.detectors, self._windows, seen, strict=True)
        ):
            if block is None:
                continue
            h, variance = self._observation(index, d, window, block, pose)
            mean, cov = _update(mean, cov, h, block.value, variance)
        return replace(prior, mean=mean, cov=cov)

    def _observation(
        self, index: int, d: Detector, window: Window, block: Block, pose: FloatArray
    ) -> tuple[FloatArray, float]:
        """Return the row that makes a window's mean of (constants, pose, beta), and the variance of that mean."""
        sin, cos = np.array([block.sin]), np.array([block.cos])
        h = np.concatenate(
            [self._model.rows(index, sin, cos)[0], self._model.systematic_rows(index, sin, cos, pose)[0]]
        )
        by_sin, by_cos = self._model.amplitudes(index, pose)
        slope = by_sin * block.cos - by_cos * block.sin
        one = window.noise_m**2 + (slope * d.angle_noise_rad) ** 2
        return h, one / block.n + block.trend**2 + self._excess**2 + window.floor_m**2

    def _freed(self) -> Belief:
        """The base with the adjusted plane unknown and the held one loosened by the moves made."""
        k = self._base.constants
        across, up = [k, k + 1], [k + 2, k + 3]
        free, held = (up, across) if self._vertical else (across, up)
        if self._sees_both():
            free, held = across + up, []
        cov = self._base.cov.copy()
        cov[free, :] = 0.0
        cov[:, free] = 0.0
        cov[free, free] = np.resize([_FREE_M**2, _FREE_SLOPE**2], len(free))
        cov[held, held] += self._moves * np.resize([_HELD_M**2, _HELD_SLOPE**2], len(held))
        return replace(self._base, cov=cov, observable=(True, True, True, True))

    def _seen(self, belief: Belief) -> Belief:
        """Mark what is too uncertain to be called known."""
        u = np.sqrt(np.diag(belief.pose_cov))
        limits = (_UNKNOWN_M, _UNKNOWN_SLOPE, _UNKNOWN_M, _UNKNOWN_SLOPE)
        y0, y1, z0, z1 = (bool(v < limit) for v, limit in zip(u, limits, strict=True))
        before = self._base.observable if not self._moved else (True,) * POSE
        return replace(
            belief, observable=(y0 and before[0], y1 and before[1], z0 and before[2], z1 and before[3])
        )


def _update(
    mean: FloatArray, cov: FloatArray, h: FloatArray, value: float, variance: float
) -> tuple[FloatArray, FloatArray]:
    """Kalman update by one scalar reading, in Joseph's form."""
    seen = cov @ h
    gain = seen / (float(h @ seen) + variance)
    keep = np.eye(mean.size) - np.outer(gain, h)
    return mean + gain * (value - float(h @ mean)), keep @ cov @ keep.T + variance * np.outer(gain, gain)
