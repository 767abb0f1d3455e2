"""What nobody at the machine knows: true distances, zeros and gains, within what the files call uncertain."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livealign.config.job import Distance, Job, TemperatureGrowth
from livealign.config.rig import AngleSensor, DetectorSpec, Head, Rig
from livealign.errors import PersonError
from livealign.materials import EXPANSION_PER_K
from livealign_simulators.contact import Plunger
from livealign_simulators.disturbances import Mistakes
from livealign_simulators.geometry import AxisLine
from livealign_simulators.machine import FootPlane
from livealign_simulators.trace import Shaft, Source, Surface

__all__ = [
    "MM_PER",
    "AngleTruth",
    "Beam",
    "DetectorTruth",
    "Truth",
    "draw_start",
    "draw_truth",
    "target_line",
]

MM_PER = {"mm": 1.0, "um": 0.001, "in": 25.4, "mil": 0.0254, "inch": 25.4}

_ORIGIN = "coupling"
_AIM_RAD = 0.002
_LEAN_RAD = 0.005
_PLACE_MM = 0.3
_ASIDE_MM = 0.05
"""How far a plunger passes the axis: on a rim it turns up and down into side to side."""


@dataclass(frozen=True, slots=True)
class AngleTruth:
    """An inclinometer and where its zero truly is."""

    spec: AngleSensor
    zero_deg: float


@dataclass(frozen=True, slots=True)
class Beam:
    """The detecting surface in a head, and the light of the head across that falls on it."""

    source: Source
    surface: Surface
    source_head: str | None = None
    """None: a light without a head of its own."""


@dataclass(frozen=True, slots=True)
class DetectorTruth:
    """A position detector, its true gain and place, and what it sees or touches."""

    head: str
    shaft: Shaft
    spec: DetectorSpec
    gain: float
    sight: Beam | Plunger


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything about the rig and the distances that the estimate has to live without."""

    points_mm: dict[str, float]
    """True distance of every named point from the coupling's centre."""
    feet: tuple[FootPlane, ...]
    angles: dict[str, AngleTruth]
    """By head."""
    detectors: tuple[DetectorTruth, ...]
    shafts: dict[str, Shaft]
    """The shaft that each head is on."""


def draw_truth(job: Job, rig: Rig, seed: np.random.SeedSequence, mistakes: Mistakes | None = None) -> Truth:
    """Draw one truth that the job and the rig file, with their stated uncertainties, allow but for the mistakes.

    Raises:
        PersonError: if a head or foot plane has no distance, or a part cannot be simulated.
    """
    rng = np.random.default_rng(seed)
    points = _points(job, rng)
    missing = [n for n in [h.name for h in rig.heads] + [f.name for f in job.feet] if n not in points]
    if missing:
        raise PersonError(
            f"no distances lead from the coupling to {', '.join(missing)}",
            advice="Add a [[distances]] entry for each to the job file.",
        )
    heads = _as_mounted(rig, mistakes or Mistakes())
    places = points if heads[0].shaft == rig.heads[0].shaft else _swapped(points, rig)
    angles = {
        h.name: AngleTruth(h.angle, h.angle.zero_deg + rng.normal(0.0, h.angle.zero_u_deg))
        for h in heads
        if h.angle is not None
    }
    rim_mm = job.coupling.diameter * MM_PER[job.units] / 2.0
    detectors = tuple(d for h in heads for d in _detectors(h, heads, places, rim_mm, rng))
    feet = tuple(FootPlane(f.name, points[f.name]) for f in job.feet)
    return Truth(points, feet, angles, detectors, {h.name: h.shaft for h in heads})


def draw_start(seed: np.random.SeedSequence) -> AxisLine:
    """Draw a pose in which a machine may be found: 0.3 to 0.9 mm high or low, slopes up to 1.5 mm/m."""
    rng = np.random.default_rng(seed)

    def either(low: float, high: float) -> float:
        return float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))

    return AxisLine(
        y_mm=either(0.15, 0.5),
        y_slope=either(0.2e-3, 0.9e-3),
        z_mm=either(0.3, 0.9),
        z_slope=either(0.3e-3, 1.5e-3),
    )


def target_line(job: Job, points: Mapping[str, float]) -> AxisLine:
    """Return the pose the job wants while it is measured.

    Args:
        job: says what is wanted in service, and what grows until then.
        points: where the points of the job truly are, mm.
    """
    t, mm = job.target, MM_PER[job.units]
    wanted = np.array(
        [
            t.horizontal_offset * mm,
            t.horizontal_slope_mm_per_m / 1000,
            t.vertical_offset * mm,
            t.vertical_slope_mm_per_m / 1000,
        ]
    )
    wanted -= _grown(job, points, "movable") - _grown(job, points, "stationary")
    y, y_slope, z, z_slope = (float(v) for v in wanted)
    return AxisLine(y_mm=y, y_slope=y_slope, z_mm=z, z_slope=z_slope)


def _grown(job: Job, points: Mapping[str, float], machine: str) -> NDArray[np.float64]:
    """(4,) offset in mm and slope toward 3 o'clock, then up, by which an axis moves until it is in service."""
    mm = MM_PER[job.units]
    x, aside, up = [], [], []
    for growth in job.growth:
        if growth.machine != machine:
            continue
        if growth.given == "coupling":
            side = (growth.horizontal_offset * mm, growth.horizontal_slope_mm_per_m / 1000)
            return np.array([*side, growth.vertical_offset * mm, growth.vertical_slope_mm_per_m / 1000])
        x.append(points[growth.at])
        aside.append(growth.sideways * mm if growth.given == "rise" else 0.0)
        up.append(growth.up * mm if growth.given == "rise" else _warmed_mm(growth, mm))
    if not x:
        return np.zeros(4)
    (y_slope, y), (z_slope, z) = np.polyfit(x, aside, 1), np.polyfit(x, up, 1)
    return np.array([y, y_slope, z, z_slope])


def _warmed_mm(growth: TemperatureGrowth, mm: float) -> float:
    degrees = growth.running - growth.cold
    kelvin = degrees * 5 / 9 if growth.degrees == "F" else degrees
    named = growth.material and EXPANSION_PER_K[growth.material]
    return (named or 1e-6 * (growth.expansion_um_per_m_k or 0.0)) * growth.height * mm * kelvin


def _points(job: Job, rng: np.random.Generator) -> dict[str, float]:
    """Walk the tape measurements from the coupling, each with an error drawn from its uncertainty."""
    mm = MM_PER[job.units]
    true_mm = {id(d): (d.length + rng.normal(0.0, d.u)) * mm for d in job.distances}
    points = {_ORIGIN: 0.0}
    waiting = deque([_ORIGIN])
    while waiting:
        here = waiting.popleft()
        for distance in job.distances:
            there, step = _across(distance, here, true_mm[id(distance)])
            if there is not None and there not in points:
                points[there] = points[here] + step
                waiting.append(there)
    return points


def _as_mounted(rig: Rig, mistakes: Mistakes) -> tuple[Head, ...]:
    """Return the heads as they truly are.

    Raises:
        PersonError: if a mistake does not go with the rig.
    """
    unknown = mistakes.wrong_sense - {h.name for h in rig.heads if h.angle is not None}
    if unknown:
        raise PersonError(f"no inclinometer on {', '.join(sorted(unknown))}", where="mistakes")
    if mistakes.swapped and sorted(h.shaft for h in rig.heads) != ["movable", "stationary"]:
        raise PersonError("only two heads, one on each shaft, can be swapped", where="mistakes")
    return tuple(
        _mounted(h, swapped=mistakes.swapped, wrong_sense=h.name in mistakes.wrong_sense) for h in rig.heads
    )


def _mounted(head: Head, *, swapped: bool, wrong_sense: bool) -> Head:
    if not (swapped or wrong_sense):
        return head
    changes: dict[str, object] = {}
    if head.angle is not None and swapped != wrong_sense:
        other = "counterclockwise" if head.angle.sense == "clockwise" else "clockwise"
        changes["angle"] = head.angle.model_copy(update={"sense": other})
    if swapped:
        # On the other shaft a head faces the other way: clockwise and depth turn round, outward does not.
        changes["shaft"] = "movable" if head.shaft == "stationary" else "stationary"
        changes["detectors"] = tuple(
            d.model_copy(update={"mounting_deg": -d.phase_deg, "depth_mm": -d.depth_mm})
            for d in head.detectors
        )
    return head.model_copy(update=changes)


def _swapped(points: dict[str, float], rig: Rig) -> dict[str, float]:
    first, second = (h.name for h in rig.heads)
    return {**points, first: points[second], second: points[first]}


def _across(distance: Distance, here: str, length_mm: float) -> tuple[str | None, float]:
    if distance.start == here:
        return distance.end, length_mm
    if distance.end == here:
        return distance.start, -length_mm
    return None, 0.0


def _detectors(
    head: Head, heads: Sequence[Head], points: dict[str, float], rim_mm: float, rng: np.random.Generator
) -> list[DetectorTruth]:
    """Place a head's detectors: in the light of the nearest head on the other shaft, or on the coupling's hub."""
    across = [h.name for h in heads if h.shaft != head.shaft]
    here = points[head.name]
    nearest = min(across, key=lambda name: abs(points[name] - here)) if across else None
    # A bare light is not in the rig file: it sits as far beyond the coupling as the head before it.
    light_x = -here if nearest is None else points[nearest]
    source = Source(
        x_mm=light_x,
        radius_mm=80.0 + rng.uniform(-_PLACE_MM, _PLACE_MM),
        aim_outward_rad=rng.uniform(-_AIM_RAD, _AIM_RAD),
        aim_clockwise_rad=rng.uniform(-_AIM_RAD, _AIM_RAD),
    )
    made = []
    for spec in head.detectors:
        x = here + spec.depth_mm
        sight = _beam(source, nearest, x, rng) if spec.kind == "light" else _plunger(spec, x, rim_mm, rng)
        gain = spec.gain * (1.0 + rng.normal(0.0, spec.gain_u))
        made.append(DetectorTruth(head.name, head.shaft, spec, gain, sight))
    return made


def _beam(source: Source, source_head: str | None, x_mm: float, rng: np.random.Generator) -> Beam:
    surface = Surface(
        x_mm=x_mm,
        radius_mm=80.0 + rng.uniform(-_PLACE_MM, _PLACE_MM),
        aside_mm=rng.uniform(-_PLACE_MM, _PLACE_MM),
        lean_rad=rng.uniform(-_LEAN_RAD, _LEAN_RAD),
        yaw_rad=rng.uniform(-_LEAN_RAD, _LEAN_RAD),
    )
    return Beam(source, surface, source_head)


def _plunger(spec: DetectorSpec, x_mm: float, rim_mm: float, rng: np.random.Generator) -> Plunger:
    """Put an indicator on the coupling's rim, or on its face; what shows at 6 o'clock on a stiff bar is twice a droop."""
    shown_mm = spec.sag_mm + rng.normal(0.0, spec.sag_u_mm)
    radius_mm = (spec.radius_mm or rim_mm) + rng.normal(0.0, spec.radius_u_mm)
    return Plunger(
        x_mm=x_mm,
        radius_mm=radius_mm,
        mounting_rad=np.radians(spec.phase_deg),
        aside_mm=rng.uniform(-_ASIDE_MM, _ASIDE_MM),
        lean_rad=rng.uniform(-_LEAN_RAD, _LEAN_RAD),
        droop_mm=-spec.polarity * shown_mm / 2.0,
    )
