"""The limits that a job's tolerance comes to at its shaft speed, in words too, and what can be wrong with it."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, TypeAlias, TypeGuard

from livealign.config.document import Document, tables_in
from livealign.config.job import (
    FlexPlaneTolerance,
    Job,
    OffsetAngleTolerance,
    SpeedInverseTolerance,
    SpeedRow,
    SpeedTableTolerance,
)
from livealign.config.problems import ConfigError
from livealign.errors import PersonError
from livealign.units import Units, length_unit_m, shown

__all__ = [
    "Limited",
    "condition_words",
    "decision_words",
    "offset_and_angle",
    "row_in_force",
    "source_words",
    "tolerance_problems",
    "tolerance_words",
]

_FLEX_PLANE_SOURCE = "API RP 686, 2nd ed. 2009, cl. 5.4.6.2"


Limited: TypeAlias = OffsetAngleTolerance | SpeedTableTolerance | SpeedInverseTolerance
"""A tolerance that limits offset and angle."""

_ADD_A_ROW = "add a row for that speed or more, from the same source"


def row_in_force(tolerance: SpeedTableTolerance, speed_rpm: float) -> SpeedRow:
    """Return the first row whose speed is at or above the shaft speed.

    Raises:
        PersonError: if the shaft turns faster than the last row.
    """
    for row in tolerance.rows:
        if row.rpm >= speed_rpm:
            return row
    what = _beyond(speed_rpm, tolerance.rows[-1].rpm)
    raise PersonError(what, where="tolerance.rows", advice=f"{_ADD_A_ROW.capitalize()}.")


def _beyond(speed: float, last: float) -> str:
    return f"the table ends at {last:g} rpm, but the shaft turns at {speed:g} (machines.shaft_speed_rpm)"


def offset_and_angle(tolerance: Limited, speed_rpm: float) -> tuple[float, float]:
    """Return the limits of offset (in the job's unit) and angle (mm/m) at the shaft speed.

    Raises:
        PersonError: if a speed table does not reach it.
    """
    if isinstance(tolerance, SpeedTableTolerance):
        row = row_in_force(tolerance, speed_rpm)
        return row.offset, row.angle_mm_per_m
    share = tolerance.reference_rpm / speed_rpm if isinstance(tolerance, SpeedInverseTolerance) else 1.0
    return tolerance.offset * share, tolerance.angle_mm_per_m * share


def condition_words(tolerance: Limited, speed_rpm: float) -> str:
    """Return under which condition the limits hold; empty if always.

    Raises:
        PersonError: if a speed table does not reach the shaft speed.
    """
    if isinstance(tolerance, SpeedTableTolerance):
        return f"up to {row_in_force(tolerance, speed_rpm).rpm:g} rpm"
    return f"at {speed_rpm:g} rpm" if isinstance(tolerance, SpeedInverseTolerance) else ""


def source_words(tolerance: Limited, units: Units) -> str:
    """Return where the limits come from, for the record; empty if the file does not say."""
    source = tolerance.source.strip()
    if not isinstance(tolerance, SpeedInverseTolerance):
        return source
    offset, angle = _limit_words(tolerance.offset, tolerance.angle_mm_per_m, units)
    how = f"{offset} and {angle} at {tolerance.reference_rpm:g} rpm, inversely proportional to speed"
    return f"{how}, confirmed by {tolerance.confirmed_by.strip()}{f'; {source}' if source else ''}"


def tolerance_words(job: Job) -> str:
    """Return the tolerance and where it comes from.

    Raises:
        PersonError: if a speed table does not reach the shaft speed.
    """
    t, speed = job.tolerance, job.machines.shaft_speed_rpm
    if isinstance(t, FlexPlaneTolerance):
        limit = t.limit_mm_per_m
        offset, angle = _limit_words(limit * job.coupling.flex_planes_apart * 1e-3, limit, job.units)
        source = _FLEX_PLANE_SOURCE if limit == 0.5 else f"rule of {_FLEX_PLANE_SOURCE}, which states 0.5"
        return (
            f"Offset at either flex plane at most {angle} of the distance between them: {offset} ({source})."
        )
    offset, angle = _limit_words(*offset_and_angle(t, speed), job.units)
    when = condition_words(t, speed)
    return (
        f"Offset at the coupling's centre at most {offset}, slope at most {angle}{when and f' {when}'} "
        f"({source_words(t, job.units) or 'no source given'})."
    )


def _limit_words(offset: float, angle: float, units: Units) -> tuple[str, str]:
    length = offset * length_unit_m(units)
    if units == "inch":
        return f"{_limit(length / 25.4e-6, 1)} mil", f"{_limit(angle, 2)} mil/in"
    return f"{_limit(length * 1e3, 2)} mm", f"{_limit(angle, 2)} mm/m"


def _limit(value: float, decimals: int) -> str:
    """Return a limit with at least so many decimals, and more while rounding would change it by half a percent."""
    while decimals < 6 and abs(float(f"{value:.{decimals}f}") - value) > 0.005 * value:
        decimals += 1
    return shown(value, decimals)


def decision_words(job: Job) -> str:
    """Return what decides on the verdict."""
    guard = job.tolerance.guard_band
    if guard is None:
        return f"A verdict is given when it is {job.confidence:.4g} probable."
    return (
        f"A verdict is given by a guard band of {guard:.4g} times the standard uncertainty: conforming when inside "
        "the limit by as much, not conforming when outside by as much, undecided between."
    )


def tolerance_problems(doc: Document) -> list[ConfigError]:
    """Return what does not agree within the tolerance of a job file, or with its shaft speed."""
    table = doc.data.get("tolerance")
    if not isinstance(table, dict):
        return []
    return [*_blank(doc, table), *_idle_guard(doc, table), *_row_problems(doc, table)]


def _blank(doc: Document, table: dict[str, Any]) -> Iterator[ConfigError]:
    needed = {"speed-table": "source", "speed-inverse": "confirmed_by"}.get(str(table.get("rule")))
    text = table.get(needed) if needed else None
    if needed and isinstance(text, str) and text and not text.strip():
        what = "whose table it is" if needed == "source" else "who confirms the limits"
        yield doc.error(("tolerance", needed), f"is blank; write {what}, for the record", found=text)


def _idle_guard(doc: Document, table: dict[str, Any]) -> Iterator[ConfigError]:
    if "guard" in table and table.get("decision", "probability") == "probability":
        message = 'does nothing here; add decision = "guard-band", or take guard away'
        yield doc.error(("tolerance", "guard"), message, found=table["guard"])


def _row_problems(doc: Document, table: dict[str, Any]) -> Iterator[ConfigError]:
    if table.get("rule") != "speed-table":
        return
    rows = [
        (path, float(row["rpm"]))
        for path, row in tables_in(table.get("rows"), ("tolerance", "rows"))
        if _is_number(row.get("rpm"))
    ]
    for (_, before), (path, rpm) in pairwise(rows):
        if rpm <= before:
            message = f"found {rpm:g} after {before:g}; rows stand in order of rising speed, each speed once"
            yield doc.error((*path, "rpm"), message, found=rpm)
    machines = doc.data.get("machines")
    speed = machines.get("shaft_speed_rpm") if isinstance(machines, dict) else None
    if rows and _is_number(speed) and speed > max(rpm for _, rpm in rows):
        message = f"{_beyond(speed, max(rpm for _, rpm in rows))}; {_ADD_A_ROW}"
        yield doc.error(("tolerance", "rows"), message)


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
