"""What is allowed but doubtful in a job and its rig, in words, with what to do about it.

The limits here are judgement, not rules: wide enough that ordinary machines raise no doubt.
"""

from collections.abc import Iterator
from itertools import pairwise

from livealign.config.distances import Positions, positions
from livealign.config.job import (
    FlexPlaneTolerance,
    Job,
    OffsetAngleTolerance,
    RiseGrowth,
    SpeedInverseTolerance,
    SpeedTableTolerance,
    TemperatureGrowth,
)
from livealign.config.rig import Rig
from livealign.config.rig_doubts import Doubt, rig_doubts, together_doubts
from livealign.config.tolerance import Limited, offset_and_angle, row_in_force
from livealign.units import distance_words, length_unit_m, show_length, show_slope

__all__ = ["Doubt", "doubts"]

_COUPLING_M = (0.025, 1.5)
_FARTHEST_M = (0.08, 6.0)
_FEET_APART_M = 0.02
_INCH = 25.4
_MOST_GROWTH_MM = 3.0
_HEIGHTS_MM = (30.0, 3000.0)
_MOST_WARMER_K = 150.0
_FARTHEST_SPEED = 4.0
"""Twice to half is a change of poles; beyond twice that the limits were meant for other machines."""


def doubts(job: Job | None = None, rig: Rig | None = None) -> tuple[Doubt, ...]:
    """Return what is doubtful in a job, in a rig, or in both together.

    Raises:
        PersonError: if a point of the job, or a head of the rig, is not tied to the coupling.
    """
    found: list[Doubt] = []
    where: Positions | None = None
    if job is not None:
        where = positions(job, [h.name for h in rig.heads] if rig else ())
        found += [*_size_doubts(job, where), *_tape_doubts(job, where), *_feet_doubts(job, where)]
        found += [*_speed_doubts(job), *_tolerance_doubts(job), *_target_doubts(job), *_growth_doubts(job)]
    if rig is not None:
        found += rig_doubts(rig)
    if job is not None and rig is not None and where is not None:
        found += together_doubts(job, rig, where)
    return tuple(found)


def _size_doubts(job: Job, where: Positions) -> Iterator[Doubt]:
    """Yield what points at inches taken for mm, or mm for inches."""
    unit = length_unit_m(job.units)
    diameter = job.coupling.diameter * unit
    farthest = max(abs(where.x(f.name)) for f in job.feet)
    odd = [
        f"{what} {distance_words(size, job.units)}"
        for what, size, likely in (
            ("a coupling of", diameter, _COUPLING_M),
            ("feet as far as", farthest, _FARTHEST_M),
        )
        if not likely[0] <= size <= likely[1]
    ]
    if not odd:
        return
    other, factor = ("inch", _INCH) if job.units == "mm" else ("mm", 1 / _INCH)
    fits = _within(diameter * factor, _COUPLING_M) and _within(farthest * factor, _FARTHEST_M)
    guess = f'Were they measured in {other}? Then write units = "{other}".' if fits else "Check the numbers."
    yield Doubt("job", "units", f"{' and '.join(odd)}: that is unusual", guess)


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]


def _tape_doubts(job: Job, where: Positions) -> Iterator[Doubt]:
    unit = length_unit_m(job.units)
    for i, d in enumerate(job.distances):
        key, span = f"distances[{i + 1}]", f'the distance from "{d.start}" to "{d.end}"'
        u, length = d.u * unit, d.length * unit
        if length <= 0:
            yield Doubt(
                "job", f"{key}.length", f"{span} is {'zero' if length == 0 else 'negative'}",
                "Name the point nearer the stationary machine first.",
            )  # fmt: skip
        if u == 0:
            yield Doubt(
                "job", f"{key}.u", f"{span} is said to be exact",
                f"No tape is; write {'1' if job.units == 'mm' else '0.04'} or so. Now 0.01 mm is taken.",
            )  # fmt: skip
        elif u < 5e-5:
            what = f"{span} is said to be known to {u * 1e3:.2g} mm, finer than tape or caliper"
            yield Doubt("job", f"{key}.u", what, "Write what you would trust it to.")
        elif u > max(0.01, 0.05 * abs(length)):
            what = f"{span} is uncertain by {distance_words(u, job.units)}"
            yield Doubt(
                "job", f"{key}.u", what, "Measure again: it goes straight into the moves at the feet."
            )
    if where.suspects:
        names = [f'"{job.distances[i].start}" to "{job.distances[i].end}"' for i in where.suspects]
        yield Doubt(
            "job", f"distances[{where.suspects[0] + 1}]",
            f"the distances contradict each other by more than their u allows; worst: {', or '.join(names)}",
            "Measure that again, or give it a larger u.",
        )  # fmt: skip


def _feet_doubts(job: Job, where: Positions) -> Iterator[Doubt]:
    for i, foot in enumerate(job.feet):
        x = where.x(foot.name)
        if x <= 0:
            what = f'"{foot.name}" stand at or in front of the coupling ({distance_words(x, job.units)})'
            yield Doubt(
                "job", f"feet[{i + 1}]", what, "Right for few machines; check from and to of its distances."
            )
    xs = [where.x(f.name) for f in job.feet]
    if xs != sorted(xs):
        order = ", ".join(f.name for _, f in sorted(zip(xs, job.feet, strict=True), key=lambda p: p[0]))
        what = f"the foot planes are not listed in their order along the shaft, which is {order}"
        yield Doubt("job", "feet", what, "Check the names and the distances.")
    if len(job.feet) == 1:
        what = "there is only one foot plane, so no move can change the slope"
        yield Doubt("job", "feet", what, "Add the others, if the machine has them.")
    placed = sorted(zip(xs, (f.name for f in job.feet), strict=True))
    for (a, one), (b, two) in pairwise(placed):
        if b - a < _FEET_APART_M:
            what = f'"{one}" and "{two}" stand within {distance_words(b - a, job.units)}'
            yield Doubt("job", "feet", what, "Check the distances.")


def _speed_doubts(job: Job) -> Iterator[Doubt]:
    speed = job.machines.shaft_speed_rpm
    if speed < 100:
        advice = (
            "It is in revolutions a minute; was it in Hz?" if speed > 10 else "It is in revolutions a minute."
        )
        yield Doubt("job", "machines.shaft_speed_rpm", f"{speed:g} rpm is slow", advice)
    elif speed > 20000:
        yield Doubt("job", "machines.shaft_speed_rpm", f"{speed:g} rpm is fast", "Check the name plate.")


def _tolerance_doubts(job: Job) -> Iterator[Doubt]:
    rule = job.tolerance
    if rule.guard_band is not None and "confidence" in job.model_fields_set:
        what = "a guard band decides on the verdict, so confidence does not"
        yield Doubt("job", "confidence", what, 'Take it away, or write decision = "probability".')
    if isinstance(rule, FlexPlaneTolerance):
        if rule.limit_mm_per_m > 1:
            yield Doubt(
                "job", "tolerance.limit_mm_per_m",
                f"{show_slope(rule.limit_mm_per_m, job.units)} is far above the 0.5 of API RP 686",
                "Use 0.5, or what the coupling's maker states.",
            )  # fmt: skip
        return
    if isinstance(rule, OffsetAngleTolerance) and not rule.source.strip():
        what = "the limits have no source, so a report cannot say where they come from"
        yield Doubt("job", "tolerance.source", what, 'Add source = "...".')
    if isinstance(rule, SpeedTableTolerance):
        yield from _table_doubts(rule)
    if isinstance(rule, SpeedInverseTolerance):
        yield from _inverse_doubts(rule, job.machines.shaft_speed_rpm)
    yield from _limit_doubts(job, rule)


def _table_doubts(rule: SpeedTableTolerance) -> Iterator[Doubt]:
    for i, (slow, fast) in enumerate(pairwise(rule.rows), 2):
        for key, words in (("offset", "offset"), ("angle_mm_per_m", "angle")):
            if getattr(fast, key) > getattr(slow, key):
                what = f"more {words} is allowed up to {fast.rpm:g} rpm than up to {slow.rpm:g} rpm"
                yield Doubt("job", f"tolerance.rows[{i}].{key}", what, "Check it against the source.")


def _inverse_doubts(rule: SpeedInverseTolerance, speed: float) -> Iterator[Doubt]:
    if not 1 / _FARTHEST_SPEED <= speed / rule.reference_rpm <= _FARTHEST_SPEED:
        what = f"limits for {rule.reference_rpm:g} rpm are carried as far as {speed:g} rpm"
        yield Doubt("job", "tolerance.reference_rpm", what, "Use limits stated for a speed nearer this one.")


def _limit_doubts(job: Job, rule: Limited) -> Iterator[Doubt]:
    """Yield what is large in the limits that hold at the shaft speed."""
    offset, angle = offset_and_angle(rule, job.machines.shaft_speed_rpm)
    at = "tolerance"
    if isinstance(rule, SpeedTableTolerance):
        at += f".rows[{rule.rows.index(row_in_force(rule, job.machines.shaft_speed_rpm)) + 1}]"
    offset_mm = offset * length_unit_m(job.units) * 1e3
    if offset_mm > 1:
        what = f"an offset of {show_length(offset_mm, job.units)} would be accepted"
        hint = (
            "In an inch file it is in inches, not mils: 5 mil is 0.005."
            if job.units == "inch"
            else "Check it."
        )
        yield Doubt("job", f"{at}.offset", what, hint)
    if angle > 3:
        what = f"a slope of {show_slope(angle, job.units)} would be accepted"
        yield Doubt("job", f"{at}.angle_mm_per_m", what, "Check it: 1 mm/m is 0.1 mm over 100 mm.")


def _target_doubts(job: Job) -> Iterator[Doubt]:
    target, unit_mm = job.target, length_unit_m(job.units) * 1e3
    for plane in ("vertical", "horizontal"):
        offset_mm = getattr(target, f"{plane}_offset") * unit_mm
        slope = getattr(target, f"{plane}_slope_mm_per_m")
        if abs(offset_mm) > 2:
            what = f"the shafts are meant to run {show_length(abs(offset_mm), job.units)} apart"
            hint = "In an inch file it is in inches, not mils." if job.units == "inch" else "Check it."
            yield Doubt("job", f"target.{plane}_offset", what, hint)
        if abs(slope) > 3:
            what = f"a slope of {show_slope(slope, job.units)} is wanted"
            yield Doubt("job", f"target.{plane}_slope_mm_per_m", what, "Check it: growth gives far less.")


def _growth_doubts(job: Job) -> Iterator[Doubt]:
    unit_mm = length_unit_m(job.units) * 1e3
    for i, growth in enumerate(job.growth, 1):
        if isinstance(growth, RiseGrowth) and abs(growth.up * unit_mm) > _MOST_GROWTH_MM:
            what = f"growth of {show_length(growth.up * unit_mm, job.units)} is unusual"
            hint = "In an inch file it is in inches, not mils." if job.units == "inch" else "Check it."
            yield Doubt("job", f"growth[{i}].up", what, hint)
        if not isinstance(growth, TemperatureGrowth):
            continue
        if not _within(growth.height * unit_mm, _HEIGHTS_MM):
            what = f"a shaft {distance_words(growth.height * unit_mm * 1e-3, job.units)} above its feet is unusual"
            yield Doubt(
                "job", f"growth[{i}].height", what, "Give it from the foot plane to the shaft's centreline."
            )
        warmer = (growth.running - growth.cold) / (1.8 if growth.degrees == "F" else 1.0)
        if abs(warmer) > _MOST_WARMER_K:
            what = f"{warmer:.0f} C between cold and running is unusual"
            hint = "It is the mean between feet and shaft, not the temperature of what is pumped. Check degrees too."
            yield Doubt("job", f"growth[{i}].running", what, hint)
