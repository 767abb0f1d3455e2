"""The pose to be had while it is measured: what the job wants in service, less what both machines grow until then."""

from typing import Literal

import numpy as np

from livealign.advice.growth import NO_GROWTH, Growth, PlaneGrowth, cold_target, of_planes, warmed
from livealign.config.distances import Positions
from livealign.config.job import CouplingGrowth, Job, RiseGrowth, Target, TemperatureGrowth
from livealign.materials import EXPANSION_PER_K
from livealign.units import length_unit_m, length_words, rounded_up, show_length, show_slope

__all__ = ["target_of", "target_words"]

_KELVIN_IN = {"C": 1.0, "F": 5.0 / 9.0}
_NOTHING_M = 5e-8
_NOTHING_SLOPE = 5e-8


def target_of(job: Job, where: Positions) -> Growth:
    """Return the pose wanted while it is measured, and the covariance of the growth it allows for.

    Args:
        job: a job whose growth has been checked.
        where: its points along the shafts.
    """
    unit_m = length_unit_m(job.units)
    wanted = _pose(job.target, unit_m)
    return cold_target(wanted, _machine(job, where, "movable"), _machine(job, where, "stationary"))


def _pose(given: Target | CouplingGrowth, unit_m: float) -> Growth:
    pose = [
        given.horizontal_offset * unit_m,
        given.horizontal_slope_mm_per_m * 1e-3,
        given.vertical_offset * unit_m,
        given.vertical_slope_mm_per_m * 1e-3,
    ]
    u = [
        given.horizontal_offset_u * unit_m,
        given.horizontal_slope_u_mm_per_m * 1e-3,
        given.vertical_offset_u * unit_m,
        given.vertical_slope_u_mm_per_m * 1e-3,
    ]
    return Growth(np.array(pose), np.diag(np.square(u)))


def _machine(job: Job, where: Positions, machine: Literal["movable", "stationary"]) -> Growth:
    unit_m = length_unit_m(job.units)
    planes = []
    for growth in job.growth:
        if growth.machine != machine:
            continue
        if isinstance(growth, CouplingGrowth):
            return _pose(growth, unit_m)
        planes.append(_plane(growth, where, unit_m))
    return of_planes(planes) if planes else NO_GROWTH


def _plane(given: TemperatureGrowth | RiseGrowth, where: Positions, unit_m: float) -> PlaneGrowth:
    x = where.x(given.at)
    if isinstance(given, RiseGrowth):
        return PlaneGrowth(
            x, given.up * unit_m, given.up_u * unit_m, given.sideways * unit_m, given.sideways_u * unit_m
        )
    kelvin = _KELVIN_IN[given.degrees]
    return warmed(
        x,
        height_m=given.height * unit_m,
        warmer_k=(given.running - given.cold) * kelvin,
        warmer_u_k=given.warmer_u * kelvin,
        expansion_per_k=_expansion(given),
        expansion_u=given.expansion_u,
        material=given.material or f"{given.expansion_um_per_m_k:g}",
    )


def _expansion(given: TemperatureGrowth) -> float:
    if given.material is not None:
        return EXPANSION_PER_K[given.material]
    return (given.expansion_um_per_m_k or 0.0) * 1e-6


def target_words(job: Job, where: Positions) -> list[str]:
    """Return the pose wanted while it is measured, a line a plane, and the growth it allows for.

    Args:
        job: a job whose growth has been checked.
        where: its points along the shafts.
    """
    found = target_of(job, where)
    y, y_slope, z, z_slope = (float(v) for v in found.pose)
    vertical = _plane_words(z, z_slope, job, ("high", "low"), ("up", "down"))
    sides = ("toward 3 o'clock", "toward 9 o'clock")
    horizontal = _plane_words(y, y_slope, job, sides, sides)
    if not vertical and not horizontal:
        lines = ["Both shafts in one line."]
    else:
        named = (("Vertical", vertical), ("Horizontal", horizontal))
        lines = [f"{plane}: {words or 'in line'}." for plane, words in named]
    return lines + [_growth_words(job, growth, where) for growth in job.growth]


def _plane_words(offset_m: float, slope: float, job: Job, side: tuple[str, str], way: tuple[str, str]) -> str:
    parts = []
    if abs(offset_m) > _NOTHING_M:
        parts.append(
            f"movable shaft {length_words(abs(offset_m), job.units)} {side[offset_m < 0]} at the coupling"
        )
    if abs(slope) > _NOTHING_SLOPE:
        parts.append(f"leading {way[slope < 0]} away from it by {show_slope(abs(slope) * 1e3, job.units)}")
    return ", ".join(parts)


def _growth_words(job: Job, given: TemperatureGrowth | RiseGrowth | CouplingGrowth, where: Positions) -> str:
    who = job.machines.movable if given.machine == "movable" else job.machines.stationary
    unit_m = length_unit_m(job.units)
    if isinstance(given, CouplingGrowth):
        change = _pose(given, unit_m)
        y, y_slope, z, z_slope = (float(v) for v in change.pose)
        up = f"{_signed(z, job, 'up', 'down')}, slope {show_slope(z_slope * 1e3, job.units)}"
        across = f"{_signed(y, job, *_SIDES)}, slope {show_slope(y_slope * 1e3, job.units)}"
        return f"In service {who} moves at the coupling {up}; {across}."
    plane = _plane(given, where, unit_m)
    words = (
        f"In service {who} moves {_signed(plane.up_m, job, 'up', 'down')} (u {_u(plane.whole_up_u_m, job)})"
    )
    if isinstance(given, RiseGrowth):
        aside = ""
        if plane.across_m or plane.across_u_m:
            aside = f", {_signed(plane.across_m, job, *_SIDES)} (u {_u(plane.across_u_m, job)})"
        return f'{words}{aside} at "{given.at}", as stated.'
    made_of = given.material.replace("-", " ") if given.material else "a material"
    return (
        f'{words} at "{given.at}": {made_of} of {_expansion(given) * 1e6:.3g} um/m/K, '
        f"{given.height:g} {'mm' if job.units == 'mm' else 'in'} high, {given.cold:g} to {given.running:g} {given.degrees}."
    )


_SIDES = ("toward 3 o'clock", "toward 9 o'clock")


def _signed(m: float, job: Job, positive: str, negative: str) -> str:
    return f"{show_length(abs(m) * 1e3, job.units)} {negative if m < 0 else positive}"


def _u(m: float, job: Job) -> str:
    if job.units == "inch":
        return f"{rounded_up(m / 25.4e-6, 1):.1f} mil"
    return f"{rounded_up(m * 1e3, 3):.3f} mm"
