"""The report's pictures, as SVG that stands in the page."""

import io
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure

from livealign.report.collect import Adjustment
from livealign.snapshot import Finding, RotationState
from livealign.units import METRES, Units

__all__ = ["centreline_svg", "coverage_svg", "settling_svg"]

# Told apart by line and mark as well as by colour.
_FOUND, _LEFT, _QUIET, _INK = "#b45309", "#0f766e", "#6b7280", "#111827"
_STYLE: Any = {
    "svg.hashsalt": "livealign",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": _QUIET,
    "axes.labelcolor": _INK,
    "xtick.color": _INK,
    "ytick.color": _INK,
}


def centreline_svg(
    found: Finding | None,
    left: Finding | None,
    feet: Sequence[tuple[str, float]],
    reach_mm: tuple[float, float],
    units: Units,
) -> str:
    """Return the movable axis against the stationary one, up and down and sideways, as found and as left.

    The handbooks' graphical method: the stationary axis is the horizontal line of squared paper, offsets are drawn far
    larger than lengths.

    Args:
        found: as found; None is left out.
        left: as left.
        feet: name and place (mm from the coupling's centre) of each foot plane.
        reach_mm: from where to where the axes are drawn.
        units: what the person reads.
    """
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 4.4), layout="constrained")
        axes = figure.subplots(2, 1, sharex=True)
        along, across, length, offset = _scales(units)
        for axis, plane, words in zip(
            axes, ("vertical", "horizontal"), ("up", "toward 3 o'clock"), strict=True
        ):
            _squared(axis)
            axis.axhline(0.0, color=_INK, linewidth=1.6)
            axis.axvline(0.0, color=_QUIET, linewidth=0.8, linestyle=":")
            for finding, color, dash, name in (
                (found, _FOUND, (0, (5, 2)), "as found"),
                (left, _LEFT, "solid", "as left"),
            ):
                pose = None if finding is None else getattr(finding.pose, plane)
                if pose is None or pose.offset_mm is None or pose.slope_mm_per_m is None:
                    continue
                xs = (0.0, reach_mm[1])
                ys = [(pose.offset_mm + pose.slope_mm_per_m * x * 1e-3) * across for x in xs]
                axis.plot([x * along for x in xs], ys, color=color, linestyle=dash, label=name)
                marks = [(pose.offset_mm + pose.slope_mm_per_m * x * 1e-3) * across for _, x in feet]
                shape = "s" if name == "as found" else "o"
                axis.plot(
                    [x * along for _, x in feet], marks, shape, color=color, markersize=5, fillstyle="none"
                )
            axis.set_ylabel(f"{words} ({offset})")
            axis.margins(y=0.25)
            axis.set_xlim(reach_mm[0] * along, reach_mm[1] * along)
        for name, x in feet:
            axes[1].annotate(
                name,
                (x * along, 0),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                fontsize=8,
                color=_QUIET,
            )
        axes[1].set_xlabel(f"from the coupling's centre toward the movable machine ({length})")
        handles, labels = axes[0].get_legend_handles_labels()
        if handles:
            axes[0].legend(handles, labels, loc="best", frameon=False, ncols=2)
        return _svg(figure, "Axis of the movable machine against that of the stationary one")


def coverage_svg(rotation: RotationState) -> str:
    """Return the ribbon of angles that were covered; the darker, the more they told."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 0.8), layout="constrained")
        axis = figure.subplots()
        for i, share in enumerate(rotation.covered or (0.0,) * 36):
            shade = 1.0 - 0.85 * share
            axis.barh(
                0, 10, left=10 * i, height=1, color=(shade, shade, shade), edgecolor="#d1d5db", linewidth=0.4
            )
        axis.set_xlim(0, 360)
        axis.set_yticks([])
        axis.set_xticks(range(0, 361, 30))
        axis.set_xlabel("deg from 12 o'clock, clockwise")
        return _svg(figure, f"Angles covered: {rotation.arc_deg:.0f} deg")


def settling_svg(adjustment: Adjustment, units: Units) -> str:
    """Return how offset and slope went while a plane was adjusted, with the band for 95 %."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 2.6), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True)
        _, across, _, offset = _scales(units)
        start = adjustment.points[0].time_s
        for axis, value, u, factor, words in (
            (upper, "offset_mm", "offset_u_mm", across, f"offset ({offset})"),
            (
                lower,
                "slope_mm_per_m",
                "slope_u_mm_per_m",
                1.0,
                "slope (mm/m)" if units == "mm" else "slope (mil/in)",
            ),
        ):
            _squared(axis)
            known = [p for p in adjustment.points if getattr(p.pose, value) is not None]
            times = [p.time_s - start for p in known]
            values = [getattr(p.pose, value) * factor for p in known]
            widths = [2.0 * (getattr(p.pose, u) or 0.0) * factor for p in known]
            low, high = ([v + s * w for v, w in zip(values, widths, strict=True)] for s in (-1, 1))
            axis.fill_between(times, low, high, color="#99b9b5", linewidth=0)
            axis.plot(times, values, color=_LEFT, linewidth=1.2)
            axis.axhline(0.0, color=_INK, linewidth=0.8)
            axis.set_ylabel(words)
        lower.set_xlabel("s since it began")
        return _svg(figure, "Course of the adjusted plane")


def _scales(units: Units) -> tuple[float, float, str, str]:
    """Return factors for lengths along and offsets across, from mm, and their units."""
    if units == "mm":
        return 1.0, 1.0, "mm", "mm"
    return METRES["mm"] / METRES["in"], METRES["mm"] / METRES["mil"], "in", "mil"


def _squared(axis: Any) -> None:
    axis.grid(visible=True, color="#e5e7eb", linewidth=0.6)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)


def _svg(figure: Figure, title: str) -> str:
    out = io.StringIO()
    # No date, so that the same session gives the same report.
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
    text = out.getvalue()
    return text[text.index("<svg") :].replace("<svg ", '<svg role="img" ', 1)
