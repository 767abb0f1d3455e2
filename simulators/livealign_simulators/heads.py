"""How the heads stand on their shafts at any time, and what can be changed about that while readings go on."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from livealign.errors import PersonError
from livealign_simulators.disturbances import AngleFaults, CablePull, Disturbances, HeadFaults
from livealign_simulators.geometry import Floats
from livealign_simulators.mechanic import Mechanic
from livealign_simulators.memory import Memory, Turning, falling_over
from livealign_simulators.optics import Optics
from livealign_simulators.timeline import Timeline
from livealign_simulators.trace import Shaft

__all__ = ["Heads", "Stand"]

_RATE_STEP_S = 0.002


@dataclass(frozen=True, slots=True)
class Stand:
    """Where a head is: its angle, and how far it is off where it was clamped; one number, or one a reading."""

    angle_rad: Floats
    outward_mm: Any = 0.0
    clockwise_mm: Any = 0.0


class Heads:
    """The heads of a rig on the shafts that a mechanic turns."""

    def __init__(self, shafts: Mapping[str, Shaft], mechanic: Mechanic, disturbances: Disturbances) -> None:
        """Take the shaft that each head truly sits on.

        Raises:
            PersonError: if something is wrong with a head that is not there.
        """
        self.faults: dict[str, Timeline[HeadFaults]] = {}
        """What is wrong with how each head stands."""
        self.optics: dict[str, Timeline[Optics]] = {}
        """What is wrong with the light on each head's detectors."""
        self._shown: dict[tuple[str, str], Timeline[float | None]] = {}
        self._shafts = dict(shafts)
        for name in (*disturbances.heads, *disturbances.angles, *disturbances.optics):
            self.known(name)
        self._mechanic = mechanic
        self._angles = disturbances.angles
        self._runouts = disturbances.runouts
        self._fallen: dict[str, Memory] = {}
        for name, shaft in shafts.items():
            self.faults[name] = Timeline(disturbances.heads.get(name, HeadFaults()))
            self.optics[name] = Timeline(disturbances.optics.get(name, Optics()))
            path = _Path(mechanic, shaft)
            side = np.sign(np.sin(path.angle_at(np.zeros(1))[0])) or 1.0
            step = falling_over(self.faults[name].last.loose_friction)
            self._fallen[name] = Memory(path, step, float(side))
            mechanic.remind(self._fallen[name])

    def known(self, head: str) -> str:
        """Return the name of a head.

        Raises:
            PersonError: if there is none of that name.
        """
        if head not in self._shafts:
            raise PersonError(f"no head is called {head!r}", advice=f"Heads: {', '.join(self._shafts)}.")
        return head

    def shows(self, head: str, auxiliary: str) -> Timeline[float | None]:
        """Return what an auxiliary number of a head shows, as a person reads it; None: that all is well."""
        return self._shown.setdefault((head, auxiliary), Timeline(None))

    def stand(self, head: str, time_s: Floats) -> Stand:
        """Return where a head is at each of rising times."""
        shaft = self._shafts[head]
        faults = self.faults[head]
        turned = np.deg2rad(faults.spread(time_s, lambda f: f.turned_deg))
        angle = self._mechanic.shaft_angle_at(shaft, time_s) + turned
        outward = faults.spread(time_s, lambda f: f.outward_mm)
        clockwise = faults.spread(time_s, lambda f: f.clockwise_mm)
        for part, f in faults.pieces(time_s):
            if f.loose_mm:
                clockwise[part] += f.loose_mm * self._fallen[head].at(time_s[part])
            if f.cable is not None:
                pull = _pulling(f.cable, angle[part])
                outward[part] += f.cable.outward_mm * pull
                clockwise[part] += f.cable.clockwise_mm * pull
        for r in self._runouts:
            if r.shaft == shaft:
                outward += r.mm * np.cos(np.deg2rad(r.at_deg) - turned)
                clockwise += r.mm * np.sin(np.deg2rad(r.at_deg) - turned)
        return Stand(angle, outward, clockwise)

    def light(self, shaft: Shaft, time_s: Floats) -> Stand:
        """Return where a light is that sits on a shaft without a head of its own."""
        return Stand(self._mechanic.shaft_angle_at(shaft, time_s))

    def rim_mm(self, shaft: Shaft, time_s: Floats) -> Floats | None:
        """Return how far the middle of a shaft's rim is off its axis, shape (N, 3); None if it is not."""
        found = [r for r in self._runouts if r.shaft == shaft]
        if not found:
            return None
        off = np.zeros((time_s.size, 3))
        for r in found:
            at = self._mechanic.shaft_angle_at(shaft, time_s) + np.deg2rad(r.at_deg)
            off[:, 1] += r.mm * np.sin(at)
            off[:, 2] += r.mm * np.cos(at)
        return off

    def angle_faults(self, head: str) -> AngleFaults:
        """Return what is wrong with a head's inclinometer."""
        return self._angles.get(head, AngleFaults())

    def turning(self, head: str, time_s: Floats) -> tuple[Floats, Floats]:
        """Return how fast a head's shaft turns (rad/s) and how that changes (rad/s^2), over 4 ms."""
        angle = partial(self._mechanic.shaft_angle_at, self._shafts[head])
        before, now, after = angle(time_s - _RATE_STEP_S), angle(time_s), angle(time_s + _RATE_STEP_S)
        return (after - before) / (2 * _RATE_STEP_S), (after - 2 * now + before) / _RATE_STEP_S**2


@dataclass(frozen=True, slots=True)
class _Path(Turning):
    """One shaft's turning."""

    mechanic: Mechanic
    shaft: Shaft

    def angle_at(self, time_s: Floats) -> Floats:
        return self.mechanic.shaft_angle_at(self.shaft, time_s)

    def knots_s(self) -> list[float]:
        return self.mechanic.knots_s()


def _pulling(cable: CablePull, angle_rad: Floats) -> Floats:
    """Return 0 where the cable is slack, 1 where it pulls most, smoothly between."""
    start, width = np.deg2rad(cable.from_deg), np.deg2rad(cable.to_deg - cable.from_deg)
    share = ((angle_rad - start) % (2 * np.pi)) / width
    return np.where(share < 1.0, np.sin(np.pi * np.minimum(share, 1.0)) ** 2, 0.0)
