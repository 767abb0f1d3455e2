"""A snapshot's result in words, for the terminal."""

from collections.abc import Callable, Iterator

from livealign.snapshot import Finding, Foot, PlanePose, Snapshot, Verdict
from livealign.units import METRES, Units, show_slope, shown

__all__ = ["reason_words", "result_words"]


def reason_words(snapshot: Snapshot) -> str | None:
    """Return why there is no pose, or None if there is one."""
    planes = (snapshot.pose.vertical, snapshot.pose.horizontal)
    if any(p.offset_mm is not None or p.slope_mm_per_m is not None for p in planes):
        return None
    if not sum(link.counters.records for link in snapshot.links):
        bad = sum(link.counters.bad for link in snapshot.links)
        return f"not one record could be read ({bad} were bad)" if bad else "no record came over any link"
    if not snapshot.rotation.readings:
        return "no reading was taken in a rotation" + _hint(snapshot)
    arc, readings = snapshot.rotation.arc_deg, snapshot.rotation.readings
    return f"{readings} readings over {arc:.0f} deg do not tell it" + _hint(snapshot)


def result_words(snapshot: Snapshot) -> str:
    """Return pose, moves, verdict, and how good the readings were."""
    return "\n".join(_lines(snapshot))


def _hint(snapshot: Snapshot) -> str:
    hint = snapshot.rotation.advice or (snapshot.advice[0] if snapshot.advice else "")
    return f": {hint}" if hint else ""


def _lines(snapshot: Snapshot) -> Iterator[str]:
    units = snapshot.units
    yield f"{snapshot.job}   ({snapshot.phase}, {snapshot.time_s:.1f} s)"
    yield ""
    yield "Movable shaft at the coupling centre, +- is 95 %:"
    yield _pose("vertical", snapshot.pose.vertical, units)
    yield _pose("horizontal", snapshot.pose.horizontal, units)
    yield (
        f"  gap        top - bottom {_length(snapshot.gap_vertical_mm, units, signed=True)}, "
        f"3 - 9 o'clock {_length(snapshot.gap_horizontal_mm, units, signed=True)}"
        f" over {_length(snapshot.gap_diameter_mm, units)}"
    )
    yield ""
    yield "Moves at the feet:"
    yield from (_foot(foot, units) for foot in snapshot.feet)
    yield ""
    yield _verdict(snapshot.verdict)
    for name, finding in (("as found", snapshot.as_found), ("as left", snapshot.as_left)):
        if finding is not None:
            yield _finding(name, finding)
    yield from _quality(snapshot)


def _pose(name: str, plane: PlanePose, units: Units) -> str:
    offset = _length(plane.offset_mm, units, signed=True) + _expanded(_length, plane.offset_u_mm, units)
    slope = show_slope(plane.slope_mm_per_m, units, signed=True)
    return f"  {name:10} offset {offset}, slope {slope}" + _expanded(
        show_slope, plane.slope_u_mm_per_m, units
    )


def _expanded(show: Callable[[float | None, Units], str], u: float | None, units: Units) -> str:
    return "" if u is None else f" +- {show(2 * u, units)}"


def _foot(foot: Foot, units: Units) -> str:
    vertical = foot.vertical_words + _expanded(_length, foot.vertical_u_mm, units)
    horizontal = foot.horizontal_words + _expanded(_length, foot.horizontal_u_mm, units)
    return f"  {foot.name:12} {vertical:28} {horizontal}"


def _verdict(verdict: Verdict) -> str:
    probability = "" if verdict.probability is None else f" ({_sure(verdict.probability)} sure to conform)"
    limit = f"; {verdict.criterion}: {verdict.limit}" if verdict.limit else ""
    worst = f"; {verdict.worst}" if verdict.worst else ""
    return f"Verdict: {verdict.state}{probability}{limit}{worst}"


def _sure(probability: float) -> str:
    if probability < 0.01:
        return "less than 1 %"
    return "more than 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def _length(mm: float | None, units: Units, *, signed: bool = False) -> str:
    """Return a length finer than a shim, for what was measured."""
    if mm is None:
        return "not known"
    if units == "mm":
        return f"{shown(mm, 3, signed=signed)} mm"
    return f"{shown(mm * METRES['mm'] / METRES['mil'], 2, signed=signed)} mil"


def _finding(name: str, finding: Finding) -> str:
    return f"  {name}: {finding.verdict.state}, at {finding.time_s:.1f} s"


def _quality(snapshot: Snapshot) -> Iterator[str]:
    r = snapshot.rotation
    spread = "" if r.residual_sd_mm is None else f", residual {_length(r.residual_sd_mm, snapshot.units)}"
    yield f"Rotation: {r.arc_deg:.0f} deg, {r.readings} readings, {r.left_out} left out{spread}"
    for link in snapshot.links:
        c = link.counters
        yield (
            f"Link {link.name}: {c.records} records, {c.bad} bad, {c.missed} missed, {c.dropped} dropped, "
            f"{c.reconnects} reconnects"
        )
    yield from (f"Next: {words}" for words in snapshot.advice[:1])
