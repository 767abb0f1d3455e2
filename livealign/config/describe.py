"""What a job and a rig file mean, in words and as plain values."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from livealign.config.crosscheck import COUPLING
from livealign.config.distances import Positions, detector_planes
from livealign.config.job import Job, Shims
from livealign.config.rig import DetectorSpec, Electrodes, Gravity, Head, Linearity, Link, Rig
from livealign.config.sketch import sketch
from livealign.config.tolerance import decision_words, tolerance_words
from livealign.units import distance_words, length_unit_m, show_length

__all__ = ["Channel", "channels", "job_lines", "rig_lines", "understood"]

_WHERE_KEYS = ("host", "address", "port", "path")
"""Settings of a driver that say where it reads; others, such as passwords, are not shown."""


def job_lines(job: Job, where: Positions, target: Sequence[str]) -> Iterator[str]:
    """Yield what a job file means, a line at a time; a line that starts without a blank is a heading.

    Args:
        job: the job.
        where: its points along the shafts.
        target: lines about the pose that is wanted.
    """
    m, unit = job.machines, length_unit_m(job.units)
    yield f"Job: {job.name}"
    yield f"  stationary machine   {m.stationary}"
    yield f"  movable machine      {m.movable}"
    yield f"  speed                {m.shaft_speed_rpm:g} rpm"
    yield f"  coupling             diameter {distance_words(job.coupling.diameter * unit, job.units)}"
    yield f"  flex planes          {distance_words(job.coupling.flex_planes_apart * unit, job.units)} apart"
    yield "Points along the shafts, from the coupling's centre toward the movable machine"
    points = _points(where)
    widest = max(len(name) for name, _, _ in points)
    for name, x, u in points:
        exact = "the origin" if name == COUPLING else f"u {distance_words(u, job.units)}"
        yield f"  {name:<{widest}}  {distance_words(x, job.units):>10}  {exact}"
    yield "Sketch, to scale"
    for line in sketch([(name, x) for name, x, _ in points], m.stationary, m.movable, 76):
        yield f"  {line}"
    yield "Tolerance"
    yield f"  {tolerance_words(job)}"
    yield f"  {decision_words(job)}"
    yield "Target"
    for line in target:
        yield f"  {line}"
    if job.shims != Shims():
        yield "Shims"
        yield f"  {shim_words(job)}"


def _points(where: Positions) -> list[tuple[str, float, float]]:
    found = [(COUPLING, 0.0, 0.0), *((name, where.x(name), where.u(name)) for name in where.names)]
    return sorted(found, key=lambda p: p[1])


def shim_words(job: Job) -> str:
    """Return the shims there are, and how many a foot may have."""
    unit_mm = length_unit_m(job.units) * 1e3
    sizes = [
        f"{'plenty' if s.count is None else s.count} of {show_length(s.thickness * unit_mm, job.units)}"
        for s in job.shims.sizes or ()
    ]
    listed = ", ".join(sizes) or "plenty of the usual sizes"
    return f"{listed}; at most {job.shims.most_per_foot} under a foot."


def rig_lines(rig: Rig, job: Job | None = None) -> Iterator[str]:
    """Yield what a rig file means, a line at a time; a line that starts without a blank is a heading."""
    yield f"Rig: {rig.name}"
    for link in rig.links:
        yield f"  {link_words(link)}"
        for name, computed in link.computed.items():
            yield f"  link {link.name}, field '{name}' is {computed_words(computed)}"
    yield "Channels"
    for head in rig.heads:
        for channel in channels(head):
            yield f"  {channel}"
        if head.angle is None:
            yield f"  {head.name} has no angle of its own; the other head's serves"
    if any(head.angle for head in rig.heads):
        behind = job.machines.movable if job else "the movable machine"
        yield f"  Clockwise is as seen from behind {behind}, looking along the shafts."


def link_words(link: Link) -> str:
    """Return what a link is and how it is read."""
    options = link.driver.options
    place = "".join(f" {options[key]}" for key in _WHERE_KEYS if key in options)
    words = f"link {link.name}: {link.driver.kind}{place}, read as {link.format.kind}; "
    if link.clock:
        wrap = f", starting again after {link.clock.wrap_bits} bits" if link.clock.wrap_bits else ""
        words += f"its own clock in '{link.clock.field}' ({link.clock.unit}{wrap})"
    elif link.nominal_rate_hz and link.sequence:
        words += f"'{link.sequence}' is its clock, at {link.nominal_rate_hz:g} records a second"
    elif link.nominal_rate_hz:
        words += f"{link.nominal_rate_hz:g} records a second"
    else:
        words += "times are those of arrival"
    if link.sequence:
        words += f"; lost records are noticed by '{link.sequence}' ({link.sequence_bits} bits)"
    return words


def computed_words(computed: Electrodes | Gravity) -> str:
    """Return what a field is worked out from."""
    if isinstance(computed, Gravity):
        axes = f"'{computed.outward}' outward and '{computed.clockwise}' clockwise"
        return f"the angle that gravity shows, from {axes}"
    plus, minus = (" + ".join(f"'{f}'" for f in side) for side in (computed.plus, computed.minus))
    words = f"a place between electrodes {computed.length:g} apart, from {plus} against {minus}"
    if computed.full_scale is not None:
        words += f", clipped from {computed.full_scale:g} on"
    return words + (f"; their sum is '{computed.sum}'" if computed.sum else "")


@dataclass(frozen=True, slots=True)
class Channel:
    """One field of one link, and what it means."""

    link: str
    field: str
    unit: str
    meaning: str

    def __str__(self) -> str:
        return f"link {self.link}, field '{self.field}' in {self.unit}: {self.meaning}"


def channels(head: Head) -> Iterator[Channel]:
    """Yield what each field that a head measures with means."""
    if head.angle:
        a = head.angle
        zero = f"{a.zero_deg:g} deg clockwise from 12 o'clock" if a.zero_deg else "12 o'clock"
        meaning = (
            f"angle of {head.name}, 0 at {zero} (standard uncertainty {a.zero_u_deg:g} deg), grows {a.sense}"
        )
        yield Channel(a.link or head.link, a.field, a.unit, meaning)
    for d in head.detectors:
        meaning = f"{head.name} on the {head.shaft} shaft, {detector_words(d)}"
        yield Channel(d.link or head.link, d.field, d.unit, meaning)
    for x in head.auxiliary:
        limits = [
            f"{what} {limit:g}" for what, limit in (("below", x.low), ("above", x.high)) if limit is not None
        ]
        meaning = f"{x.name} of {head.name}" + (f", warns {' and '.join(limits)}" if limits else "")
        yield Channel(x.link or head.link, x.field, x.unit or "no unit", meaning)


def detector_words(d: DetectorSpec) -> str:
    """Return how a detector's number is taken."""
    words = list(_light_words(d) if d.kind == "light" else _contact_words(d))
    if d.linearity:
        words.append(_linearity_words(d.linearity, d.unit))
    if d.gain != 1:
        words.append(f"{d.gain:g} for every 1 of true change")
    if d.depth_mm:
        to = "movable" if d.depth_mm > 0 else "stationary"
        words.append(f"{abs(d.depth_mm):g} mm from its mark, toward the {to} machine")
    if d.sag_mm:
        words.append(f"bracket sag {d.sag_mm:g} mm from 12 to 6 o'clock")
    if d.range_mm:
        words.append(f"sees {d.range_mm[0]:g} to {d.range_mm[1]:g} mm")
    if d.light_field and d.dim_below is not None:
        words.append(f"left out when '{d.light_field}' is below {d.dim_below:g}")
    return ", ".join(words)


def _light_words(d: DetectorSpec) -> Iterator[str]:
    ways = {0.0: ("radial", "outward", "inward"), 90.0: ("tangential", "clockwise", "counterclockwise")}
    between = (f"axis {d.phase_deg:g} deg clockwise of outward", "that way", "the other way")
    name, *way = ways.get(d.phase_deg, between)
    yield name
    yield f"positive {way[d.polarity < 0]}"


def _contact_words(d: DetectorSpec) -> Iterator[str]:
    radius = "" if d.radius_mm is None else f" at radius {d.radius_mm:g} mm (u {d.radius_u_mm:g} mm)"
    if d.kind == "rim":
        yield f"indicator on the other shaft's rim{radius}"
        yield f"positive when {'pushed in' if d.polarity > 0 else 'let out'}"
    else:
        yield f"indicator on the other hub's face{radius}"
        yield f"positive when the gap {'closes' if d.polarity > 0 else 'opens'} there"
    if d.phase_deg:
        way = "clockwise" if d.phase_deg > 0 else "counterclockwise"
        yield f"{abs(d.phase_deg):g} deg {way} of where the head tells its angle"


def _linearity_words(bent: Linearity, unit: str) -> str:
    if bent.table is not None:
        ends = f"{bent.table[0][0]:g} to {bent.table[-1][0]:g} {unit}"
        return f"straightened by a table of {len(bent.table)} points, {ends}"
    return f"straightened by a polynomial of degree {len(bent.polynomial or ()) - 1}"


def understood(
    job: Job | None, rig: Rig | None, where: Positions | None, target: Sequence[str]
) -> dict[str, Any]:
    """Return the same as plain values, for JSON; lengths in mm."""
    return {
        "job": _job_values(job, where, target) if job and where else None,
        "rig": _rig_values(rig, where) if rig else None,
    }


def _job_values(job: Job, where: Positions, target: Sequence[str]) -> dict[str, Any]:
    unit_mm = length_unit_m(job.units) * 1e3
    feet = [f.name for f in job.feet]
    return {
        "name": job.name,
        "units": job.units,
        "machines": job.machines.model_dump(),
        "coupling": {
            "diameter_mm": job.coupling.diameter * unit_mm,
            "flex_planes_apart_mm": job.coupling.flex_planes_apart * unit_mm,
        },
        "feet": feet,
        "points": [{"name": n, "x_mm": _mm(x), "u_mm": _mm(u)} for n, x, u in _points(where)],
        "tolerance": tolerance_words(job),
        "confidence": job.confidence,
        "decision": decision_words(job),
        "target": list(target),
        "shims": shim_words(job),
    }


def _mm(m: float) -> float:
    return round(m * 1e3, 6)


def _rig_values(rig: Rig, where: Positions | None) -> dict[str, Any]:
    placed = detector_planes(rig, where) if where and all(h.name in where.names for h in rig.heads) else ()
    return {
        "name": rig.name,
        "links": [link_words(link) for link in rig.links],
        "channels": [
            {"link": c.link, "field": c.field, "unit": c.unit, "meaning": c.meaning}
            for head in rig.heads
            for c in channels(head)
        ],
        "detectors": [{"head": p.head, "detector": p.detector, "x_mm": _mm(p.x_m)} for p in placed],
    }
