"""The frame of the movable machine on its feet: loads, gaps, and where loosening, tightening or pushing leaves the shaft.

Statics of a rigid body on springs, with legs that may bend a little. Lengths in mm, forces in N, stiffness in N/mm.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from livealign.errors import PersonError
from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.springs import Spring, UnsupportedError, rest

__all__ = ["Foot", "FootRest", "Frame", "Pipe", "Resting", "Side", "level_frame"]

Side = Literal["left", "right"]

_M = 1000.0
"""Slopes are solved in mm/m, so that all unknowns are of one size."""
_STOP_N_PER_MM = 1e6
_SCREW_N_PER_MM = 1e5
_SCREW_N = 10e3
"""As hard as a jack screw is turned by hand (from memory); tight bolts hold against it."""
_HALF_WIDTH_MM = 200.0


@dataclass(frozen=True, slots=True)
class Foot:
    """One foot, what is under it, and its bolt."""

    plane: str
    side: Side
    """For the viewer behind the movable machine; right is 3 o'clock."""
    x_mm: float
    y_mm: float
    floor_mm: float = 0.0
    """Height of the floor there, less what the foot is too short; negative under a soft foot."""
    shims_mm: float = 0.0
    """Put in (or taken out) since the machine was found."""
    angle_gap_mm: float = 0.0
    """A foot not parallel to the floor: open so far at its outer edge (negative: inner) when it just touches."""
    tight: bool = True
    grip_mm: float = 0.0
    """Where, sideways, the foot would pull on the floor with no force."""
    room_mm: tuple[float, float] = (-3.0, 3.0)
    """How far toward 9 and 3 o'clock the hole lets the foot go before it is bolt-bound."""

    @property
    def height_mm(self) -> float:
        """Of what the foot stands on."""
        return self.floor_mm + self.shims_mm


@dataclass(frozen=True, slots=True)
class Pipe:
    """A pipe that pulls the machine where it is flanged on (pipe strain)."""

    x_mm: float
    stiffness: float
    free_y_mm: float = 0.0
    """How far toward 3 o'clock of the frame's zero the flange would hang by itself."""
    free_z_mm: float = 0.0
    """How far above."""


@dataclass(frozen=True, slots=True)
class FootRest:
    """What can be found at one foot: with a load cell, and with a feeler gauge."""

    plane: str
    side: Side
    load_n: float
    """Between foot and floor, bolt force included."""
    gap_inner_mm: float
    """Toward the machine's middle."""
    gap_outer_mm: float
    rise_mm: float
    """Height of the foot itself, from an arbitrary zero: what a dial indicator on it follows."""
    bolt_bound: bool


@dataclass(frozen=True, slots=True)
class Resting:
    """A frame at rest."""

    line: AxisLine
    """The shaft's axis against where it is on a level floor without load."""
    feet: tuple[FootRest, ...]


@dataclass(frozen=True, slots=True)
class Frame:
    """The movable machine as a body on any number of feet. Every method returns another frame."""

    feet: tuple[Foot, ...]
    weight_n: float = 4000.0
    weight_x_mm: float | None = None
    """Of its centre of gravity; left out: the middle of the feet."""
    weight_y_mm: float = 0.0
    shaft_height_mm: float = 200.0
    """Of the shaft above the feet: a rolling frame carries it sideways."""
    foot_stiffness: float = 5e6
    """Of a foot on its shims, in compression."""
    leg_stiffness: float | None = 5e5
    """With which a leg bends up and down; None: a rigid frame."""
    bolt_n: float = 40e3
    """Preload of a tight bolt."""
    flatten_n: float = 5e3
    """Force that presses an angled foot flat."""
    friction: float = 0.15
    grip_stiffness: float = 5e5
    """Of a foot sideways before it slips."""
    pipes: tuple[Pipe, ...] = ()

    def shimmed(self, plane: str, mm: float, side: Side | None = None) -> "Frame":
        """Add shims (or take out) under one foot or both feet of a plane; KeyError if there is no such foot."""
        return self._changed(plane, side, lambda f: replace(f, shims_mm=f.shims_mm + mm))

    def bolted(self, plane: str | None, side: Side | None = None, *, tight: bool) -> "Frame":
        """Tighten or loosen one bolt, those of a plane, or all; KeyError if there is no such foot."""
        return self._changed(plane, side, lambda f: replace(f, tight=tight))

    def slid(self, plane: str, mm: float) -> "Frame":
        """Carry a foot plane sideways, whatever holds it; KeyError if there is no such plane."""
        return self._changed(plane, None, lambda f: replace(f, grip_mm=f.grip_mm + mm))

    def jacked(self, plane: str, mm: float) -> "Frame":
        """Turn a jack screw at a plane so far (positive: toward 3 o'clock) from where it touches, and back off again.

        Raises:
            KeyError: if there is no such plane.
            PersonError: if the machine cannot stand so.
        """
        x_mm = next((f.x_mm for f in self.feet if f.plane == plane), None)
        if x_mm is None:
            raise KeyError(plane)
        (here, slope), _ = self._sideways(self._upright()[1])
        touches = here + slope * x_mm / _M
        least, most = (0.0, _SCREW_N) if mm >= 0 else (-_SCREW_N, 0.0)
        screw = Spring((1.0, x_mm / _M), _SCREW_N_PER_MM, touches + mm, least, most)
        return self._gripping(screw).settled()[0]

    def settled(self) -> "tuple[Frame, Resting]":
        """Return the frame with its feet gripping where they came to rest, and what is found there.

        Raises:
            PersonError: if the machine cannot stand so.
        """
        (z, z_slope, roll), loads = self._upright()
        frame = self._gripping()
        (y, y_slope), _ = frame._sideways(loads)  # noqa: SLF001 - of the same class
        # Rolling toward 9 o'clock (right side up) carries the shaft to 9 o'clock.
        line = AxisLine(y - roll / _M * self.shaft_height_mm, y_slope / _M, z, z_slope / _M)
        feet = []
        for foot, load in zip(self.feet, loads, strict=True):
            body = z + (z_slope * foot.x_mm + roll * foot.y_mm) / _M
            aside = y + y_slope * foot.x_mm / _M
            feet.append(self._found(foot, load, body, aside))
        return frame, Resting(line, tuple(feet))

    def _changed(self, plane: str | None, side: Side | None, change: Callable[[Foot], Foot]) -> "Frame":
        chosen = [(plane in {None, f.plane}) and (side in {None, f.side}) for f in self.feet]
        if not any(chosen):
            raise KeyError(plane)
        return replace(
            self, feet=tuple(change(f) if c else f for f, c in zip(self.feet, chosen, strict=True))
        )

    @property
    def _single(self) -> bool:
        """Tell whether there is one foot plane only: something else, the coupling, keeps such a machine from tilting."""
        return len({f.x_mm for f in self.feet}) == 1

    def _upright(self) -> tuple[tuple[float, float, float], tuple[float, ...]]:
        """Return height, slope and roll (mm, mm/m, mm/m), and the load of each foot."""
        springs = []
        for foot in self.feet:
            bolt = self.bolt_n if foot.tight else 0.0
            stiffness = self.foot_stiffness
            if self.leg_stiffness is not None:
                stiffness = stiffness * self.leg_stiffness / (stiffness + self.leg_stiffness)
            # The bolt presses foot and shims together; the body feels only what the leg passes on.
            zero = self._stands_at(foot) - bolt / self.foot_stiffness
            springs.append(Spring((1.0, foot.x_mm / _M, foot.y_mm / _M), stiffness, zero, least=-bolt))
        springs += [Spring((1.0, p.x_mm / _M, 0.0), p.stiffness, p.free_z_mm) for p in self.pipes]
        if self._single:
            springs.append(Spring((0.0, 1.0, 0.0), 1.0, 0.0))
        middle = sum(f.x_mm for f in self.feet) / len(self.feet)
        x = middle if self.weight_x_mm is None else self.weight_x_mm
        weight = [-self.weight_n, -self.weight_n * x / _M, -self.weight_n * self.weight_y_mm / _M]
        q, force = _balance(springs, weight)
        loads = [
            float(f) + (self.bolt_n if foot.tight else 0.0)
            for f, foot in zip(force, self.feet, strict=False)  # other springs come after
        ]
        return (float(q[0]), float(q[1]), float(q[2])), tuple(loads)

    def _sideways(
        self, loads: Sequence[float], *extra: Spring
    ) -> tuple[tuple[float, float], tuple[float, ...]]:
        """Return the place and the slope sideways (mm, mm/m), and the grip of each foot."""
        springs = [
            Spring((1.0, f.x_mm / _M), self.grip_stiffness, f.grip_mm, -self.friction * n, self.friction * n)
            for f, n in zip(self.feet, loads, strict=True)
        ]
        for f in self.feet:
            springs.append(Spring((1.0, f.x_mm / _M), _STOP_N_PER_MM, f.room_mm[0], least=0.0))
            springs.append(Spring((1.0, f.x_mm / _M), _STOP_N_PER_MM, f.room_mm[1], most=0.0))
        springs += [Spring((1.0, p.x_mm / _M), p.stiffness, p.free_y_mm) for p in self.pipes]
        if self._single:
            springs.append(Spring((0.0, 1.0), 1.0, 0.0))
        q, force = _balance([*springs, *extra], (0.0, 0.0))
        return (float(q[0]), float(q[1])), tuple(float(f) for f in force[: len(self.feet)])

    def _gripping(self, *extra: Spring) -> "Frame":
        """Return the frame with the feet that slipped gripping anew."""
        (y, slope), grips = self._sideways(self._upright()[1], *extra)
        feet = tuple(
            replace(f, grip_mm=y + slope * f.x_mm / _M + grip / self.grip_stiffness)
            for f, grip in zip(self.feet, grips, strict=True)
        )
        return replace(self, feet=feet)

    def _open_mm(self, foot: Foot) -> float:
        """Return what is left of an angled foot's gap: the bolt presses it flat."""
        pressed = min(1.0, self.bolt_n / self.flatten_n) if foot.tight else 0.0
        return foot.angle_gap_mm * (1.0 - pressed)

    def _stands_at(self, foot: Foot) -> float:
        # A foot at an angle touches with one edge: its middle is half a gap higher.
        return foot.height_mm + abs(self._open_mm(foot)) / 2

    def _found(self, foot: Foot, load: float, body_mm: float, aside_mm: float) -> FootRest:
        bolt = self.bolt_n if foot.tight else 0.0
        bend = 0.0 if self.leg_stiffness is None else (load - bolt) / self.leg_stiffness
        rise, opened = body_mm + bend, self._open_mm(foot)
        clear = max(0.0, rise - self._stands_at(foot))
        low, high = foot.room_mm
        return FootRest(
            foot.plane,
            foot.side,
            load,
            clear + max(0.0, -opened),
            clear + max(0.0, opened),
            rise,
            bolt_bound=not low < aside_mm < high,
        )


def level_frame(planes: Sequence[tuple[str, float]]) -> Frame:
    """Return an even frame on two feet at each plane, given as name and distance from the coupling in mm."""
    sides: tuple[tuple[Side, float], ...] = (("left", -_HALF_WIDTH_MM), ("right", _HALF_WIDTH_MM))
    return Frame(tuple(Foot(name, side, x, y) for name, x in planes for side, y in sides))


def _balance(springs: list[Spring], load: Sequence[float]) -> tuple[Floats, Floats]:
    try:
        return rest(springs, load)
    except UnsupportedError:
        raise PersonError(
            "the machine cannot stand so: it would tip over or lift off its feet",
            where="simulated machine",
            advice="Tighten a bolt, or put the shims back.",
        ) from None
