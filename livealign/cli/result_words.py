"""A snapshot's result in words, for the terminal."""

import math
import textwrap
from collections.abc import Callable, Iterator

from livealign.advice.words import probability
from livealign.snapshot import BudgetLine, Diagnosis, Finding, Foot, PlanePose, Pose, Snapshot, Verdict
from livealign.units import METRES, Units, show_distance, show_measured, show_slope

__all__ = ["reason_words", "result_words"]

_WIDTH = 80


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
    """Return pose, moves, verdict, where the uncertainty comes from, and how good the readings were."""
    return "\n".join(_fitted(line) for line in _lines(snapshot))


def _fitted(line: str) -> str:
    """Break a line that is too wide; what follows stands further in."""
    if len(line) <= _WIDTH:
        return line
    further = " " * (len(line) - len(line.lstrip()) + 4)
    return textwrap.fill(
        line,
        _WIDTH,
        subsequent_indent=further,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _hint(snapshot: Snapshot) -> str:
    r = snapshot.rotation
    hint = " ".join(r.missing) or r.advice or (snapshot.advice[0] if snapshot.advice else "")
    return f": {hint}" if hint else ""


def _lines(snapshot: Snapshot) -> Iterator[str]:
    units = snapshot.units
    yield f"{snapshot.job}   ({snapshot.phase}, {snapshot.time_s:.1f} s)"
    yield ""
    yield "Movable shaft at the coupling centre, +- is 2 u, about 95 %:"
    yield _pose("vertical", snapshot.pose.vertical, units)
    yield _pose("horizontal", snapshot.pose.horizontal, units)
    yield (
        f"  gap        top - bottom {show_measured(snapshot.gap_vertical_mm, units, signed=True)}, "
        f"3 - 9 o'clock {show_measured(snapshot.gap_horizontal_mm, units, signed=True)}"
        f" over {show_distance(snapshot.gap_diameter_mm, units)}"
    )
    yield from _not_observable(snapshot)
    yield ""
    yield "Moves at the feet:"
    yield from (_foot(foot, units) for foot in snapshot.feet)
    yield ""
    yield from _verdict(snapshot.verdict)
    for name, finding in (("as found", snapshot.as_found), ("as left", snapshot.as_left)):
        if finding is not None:
            yield _finding(name, finding)
    yield from _budget(snapshot)
    yield from _rig(snapshot)
    yield from _quality(snapshot)


def _pose(name: str, plane: PlanePose, units: Units) -> str:
    offset = show_measured(plane.offset_mm, units, signed=True) + _expanded(
        show_measured, plane.offset_u_mm, units
    )
    slope = show_slope(plane.slope_mm_per_m, units, signed=True)
    return f"  {name:10} offset {offset}, slope {slope}" + _expanded(
        show_slope, plane.slope_u_mm_per_m, units
    )


def _expanded(show: Callable[[float | None, Units], str], u: float | None, units: Units) -> str:
    if u is None:
        return ""
    least = 1e-3 if units == "mm" else 0.01 * METRES["mil"] / METRES["mm"]
    return f" +- {show(max(2 * u, least if show is show_measured else 0.01), units)}"


def _foot(foot: Foot, units: Units) -> str:
    vertical = foot.vertical_words + _expanded(show_measured, foot.vertical_u_mm, units)
    horizontal = foot.horizontal_words + _expanded(show_measured, foot.horizontal_u_mm, units)
    return f"  {foot.name:12} {vertical:28} {horizontal}"


def _verdict(verdict: Verdict) -> Iterator[str]:
    sure = "" if verdict.probability is None else f" ({probability(verdict.probability)} sure to conform)"
    yield f"Verdict: {verdict.state}{sure}"
    if verdict.limit:
        yield f"  {verdict.criterion}: {verdict.limit}"
    if verdict.worst:
        yield f"  {verdict.worst}"


def _finding(name: str, finding: Finding) -> str:
    return f"  {name}: {finding.verdict.state}, at {finding.time_s:.1f} s"


def _not_observable(snapshot: Snapshot) -> Iterator[str]:
    """Say which parts of the pose the readings do not tell, and what would help."""
    unknown = _unknown(snapshot.pose)
    if unknown:
        yield f"  not observable: {', '.join(unknown)}"
        yield from (f"    {why}" for why in snapshot.rotation.missing)


def _unknown(pose: Pose) -> list[str]:
    planes = (("vertical", pose.vertical), ("horizontal", pose.horizontal))
    values = [
        (f"{n} {w}", v) for n, p in planes for w, v in (("offset", p.offset_mm), ("slope", p.slope_mm_per_m))
    ]
    return [name for name, value in values if value is None]


def _budget(snapshot: Snapshot) -> Iterator[str]:
    """Say how well offsets and the worst foot are known, what spoils it most, and what would help."""
    feet = {f"{f.name}, {plane}" for f in snapshot.feet for plane in ("vertical", "horizontal")}
    told = [line for line in snapshot.budget if line.quantity in {"vertical offset", "horizontal offset"}]
    at_feet = [line for line in snapshot.budget if line.quantity in feet]
    if at_feet:
        told.append(max(at_feet, key=lambda line: line.u))
    if not told:
        return
    yield ""
    yield "Uncertainty U = k u for 95 %, and the largest source's share of the variance:"
    names = [f"worst foot: {line.quantity}" if line.quantity in feet else line.quantity for line in told]
    width = min(max(map(len, names)), 36)
    for name, line in zip(names, told, strict=True):
        yield f"  {name:{width}}  U {_fine(line.k * line.u, snapshot.units)}, k {line.k:.2f}; {_largest(line)}"
    for source, remedy in {line.largest: line.remedy for line in told}.items():
        yield f"  To shrink {source}: {remedy}"


def _largest(line: BudgetLine) -> str:
    part = next((p.u for p in line.parts if p.source == line.largest), 0.0)
    share = "" if line.u <= 0.0 else f" {100.0 * (part / line.u) ** 2:.0f} %"
    return f"{line.largest}{share}"


def _fine(mm: float, units: Units) -> str:
    """Return an uncertainty to two significant digits."""
    value, unit = (mm, "mm") if units == "mm" else (mm * METRES["mm"] / METRES["mil"], "mil")
    decimals = 0 if value <= 0.0 else max(0, 1 - math.floor(math.log10(value)))
    return f"{value:.{decimals}f} {unit}"


def _rig(snapshot: Snapshot) -> Iterator[str]:
    """Say what the residuals tell of the rig."""
    if not snapshot.diagnoses:
        return
    yield ""
    yield "What the readings say of the rig:"
    for d in snapshot.diagnoses:
        size = _size(d, snapshot.units)
        yield f"  {d.name}{f' {size}' if size else ''}, {d.where}: {d.cause}"
        yield f"    Remedy: {d.remedy}"


def _size(d: Diagnosis, units: Units) -> str:
    if d.unit == "mm":
        return show_measured(d.size, units)
    return f"{d.size:g} {d.unit}".rstrip()


def _gross(snapshot: Snapshot) -> str:
    r = snapshot.rotation
    if not r.gross:
        return f"{r.left_out} left out"
    g = r.gross[0]
    size = show_measured(g.size_mm, snapshot.units, signed=True)
    return f"{r.left_out} left out (largest {size}: {g.channel} at {g.angle_deg:.0f} deg, {g.time_s:.1f} s)"


def _quality(snapshot: Snapshot) -> Iterator[str]:
    r = snapshot.rotation
    spread = (
        "" if r.residual_sd_mm is None else f", residual {show_measured(r.residual_sd_mm, snapshot.units)}"
    )
    yield ""
    yield f"Rotation: {r.arc_deg:.0f} deg, {r.readings} readings{spread}, {_gross(snapshot)}"
    for link in snapshot.links:
        c = link.counters
        yield (
            f"Link {link.name}: {c.records} records, {c.bad} bad, {c.missed} missed, {c.dropped} dropped, "
            f"{c.reconnects} reconnects"
        )
    yield from (f"Next: {words}" for words in snapshot.advice[:1])
