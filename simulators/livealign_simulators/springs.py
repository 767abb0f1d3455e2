"""A rigid body on springs that push, pull or slip: where it comes to rest."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["Spring", "UnsupportedError", "rest"]

_STEPS = 60
_SOFTNESSES = [4.0**-i for i in range(10, -1, -1)]
_HALVINGS = 50
_FAR = 1e9
_BALANCED = 1e-8


class UnsupportedError(ValueError):
    """Nothing holds the body against its load: it tips over, lifts off or slides away."""


@dataclass(frozen=True, slots=True)
class Spring:
    """A force clip(stiffness x (at - u), least, most) on the displacement u = arm . q.

    A floor pushes only (least 0), a jack or a stop pushes one way, a bolted foot pulls until its preload is used up,
    dry friction is a stiff spring that slips at a greatest force either way.
    """

    arm: tuple[float, ...]
    """The displacement for each degree of freedom."""
    stiffness: float
    at: float
    """Displacement without force."""
    least: float = -np.inf
    most: float = np.inf


def rest(springs: Sequence[Spring], load: Sequence[float]) -> tuple[Floats, Floats]:
    """Return the degrees of freedom in balance and the force of each spring.

    The energy of clipped springs is convex and piecewise quadratic; Newton's steps, each as long as it pays, find its least.

    Args:
        springs: what holds the body.
        load: the constant generalised force on each degree of freedom.

    Raises:
        UnsupportedError: if there is no balance.
    """
    arms = np.array([s.arm for s in springs])
    hard, at, least, most = np.array([(s.stiffness, s.at, s.least, s.most) for s in springs]).T
    push = np.asarray(load, dtype=float)
    stiffness = hard

    def forces(q: Floats) -> tuple[Floats, Floats]:
        free = stiffness * (at - arms @ q)
        return free, np.clip(free, least, most)

    def unbalanced(q: Floats) -> Floats:
        left: Floats = arms.T @ forces(q)[1] + push
        return left

    def energy(q: Floats) -> float:
        free, f = forces(q)
        return float(np.sum((f * free - 0.5 * f * f) / stiffness) - push @ q)

    def furthest(q: Floats, step: Floats) -> Floats:
        """Go along the step to where the energy is least: where what is unbalanced no longer points along it."""
        low, high = 0.0, 1.0
        while unbalanced(q + high * step) @ step > 0.0 and high < _FAR:
            low, high = high, 4.0 * high
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if unbalanced(q + middle * step) @ step > 0.0 else (low, middle)
        return q + 0.5 * (low + high) * step

    # With soft springs hardly any is at its end and the search is easy; hardened little by little, they show the way.
    root = np.sqrt(hard)
    q: Floats = np.linalg.lstsq(root[:, np.newaxis] * arms, root * at, rcond=None)[0]
    rounding = 1e-13 * float(np.max(hard)) * (1.0 + float(np.abs(at).max()))
    for softness in _SOFTNESSES:
        stiffness = hard * softness
        small = 1e-9 * float(np.max(stiffness)) * np.eye(push.size)
        for _ in range(_STEPS):
            free, f = forces(q)
            left = unbalanced(q)
            if np.abs(left).max() <= _BALANCED * (np.abs(push).max() + np.abs(f).max()) + rounding:
                break
            working = arms[free == f]
            hold = working.T @ (stiffness[free == f, np.newaxis] * working) + small
            step = np.linalg.solve(hold, left)
            # A whole step that stays within one quadratic piece gains half of what is unbalanced along it.
            pays = energy(q) - energy(q + step) > 0.3 * float(left @ step)
            q = q + step if pays else furthest(q, step)
        else:
            if softness == 1.0:
                break
            continue
        if softness == 1.0:
            return q, f
    raise UnsupportedError("no balance: the load is more than what holds the body")
