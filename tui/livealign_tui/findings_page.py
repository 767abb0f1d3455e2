"""Findings: how the shafts lie, whether that conforms, and what to move."""

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content

from livealign.snapshot import Finding, Foot, Plane, PlanePose, Snapshot
from livealign_tui.block import Block, Cell, known, line, row
from livealign_tui.budget_lines import table_lines, worst_lines
from livealign_tui.centreline import Centreline
from livealign_tui.history import plane_pose
from livealign_tui.page import STATE_STYLE, Page, verdict_cell
from livealign_tui.rig_lines import diagnosis_lines
from livealign_tui.words import (
    NOT_KNOWN,
    Units,
    gap_words,
    length,
    length_with_u,
    offset_words,
    plane_words,
    plus_minus,
    printable,
    slope_with_u,
    units_of,
    verdict_words,
    wrap,
)

__all__ = ["FindingsPage"]

_PLANES: tuple[Plane, Plane] = ("vertical", "horizontal")
_POSE_COLUMNS = (13, 23, 23, 0)
_FEET_COLUMNS = (14, 24, 0)
_KEPT_COLUMNS = (20, 27, 0)
_GRAPH_ROWS = 6
"""What the graphs need to be drawn."""


class FindingsPage(Page):
    """Pose, verdict, moves, as found beside as left, the reasons, and graphs in what room is left; or the whole budget."""

    def compose(self) -> ComposeResult:
        """Build the page."""
        yield Block(id="findings-pose")
        yield Block(id="findings-verdict")
        yield Block(id="findings-feet")
        yield Block(id="findings-kept")
        yield Block(id="findings-budget")
        yield Block(id="findings-rig")
        with Horizontal(id="findings-graphs"):
            yield Centreline("vertical", id="graph-vertical")
            yield Centreline("horizontal", id="graph-horizontal")

    def toggle_budget(self) -> None:
        """Change between the findings and the whole uncertainty budget."""
        self.toggle_class("-budget")
        self._refill()

    def fill(self, snapshot: Snapshot) -> None:
        """Put the snapshot into the page."""
        width = self.size.width
        units = units_of(snapshot.units)
        if self.has_class("-budget"):
            self._fill_budget(snapshot, units)
            return
        self.query_one("#findings-pose", Block).show(_pose_lines(snapshot, units))
        self.query_one("#findings-verdict", Block).show(_verdict_lines(snapshot, width))
        self.query_one("#findings-feet", Block).show(_feet_lines(snapshot.feet, units))
        self.query_one("#findings-kept", Block).show(_kept_lines(snapshot, units))
        self._fill_reasons(snapshot, units)
        found = snapshot.as_found.pose if snapshot.as_found is not None else snapshot.pose
        self.query_one("#graph-vertical", Centreline).show(
            snapshot.pose.vertical, found.vertical, snapshot.feet, units
        )
        self.query_one("#graph-horizontal", Centreline).show(
            snapshot.pose.horizontal, found.horizontal, snapshot.feet, units
        )

    def _fill_budget(self, snapshot: Snapshot, units: Units) -> None:
        """Show the whole budget, and what disturbed the readings."""
        width, height = self.size
        table = table_lines(snapshot.budget, units, width)
        self.query_one("#findings-budget", Block).show(table[:height])
        told = diagnosis_lines(snapshot.diagnoses, units, width, height - len(table) - 1)
        self.query_one("#findings-rig", Block).show([line(""), *told])

    def _fill_reasons(self, snapshot: Snapshot, units: Units) -> None:
        """Show what the least certain move owes its U to, and what disturbed the readings; the graphs come last."""
        width, height = self.size
        above = ("#findings-pose", "#findings-verdict", "#findings-feet", "#findings-kept")
        room = height - sum(self.query_one(name, Block).rows for name in above)
        feet = tuple(foot.name for foot in snapshot.feet)
        some = 1 if snapshot.diagnoses else 0
        budget = worst_lines(snapshot.budget, feet, units, width, min(2, room - some))
        self.query_one("#findings-budget", Block).show(budget)
        room -= len(budget)
        left = room - _GRAPH_ROWS
        told = diagnosis_lines(snapshot.diagnoses, units, width, left if left >= 1 else room)
        self.query_one("#findings-rig", Block).show(told)


def _pose_lines(snapshot: Snapshot, units: Units) -> list[Content]:
    across = snapshot.gap_diameter_mm
    at = f"{across:g} mm" if units.length == "mm" else f"{across / 25.4:.2f} in"
    heads = ("", "offset at coupling", "angle", f"gap at {at}")
    lines = [row([(head, "$quiet") for head in heads], _POSE_COLUMNS)]
    for plane in _PLANES:
        pose = plane_pose(snapshot, plane)
        gap = snapshot.gap_vertical_mm if plane == "vertical" else snapshot.gap_horizontal_mm
        lines.append(row(_pose_cells(plane, pose, gap, units), _POSE_COLUMNS))
        lines.append(
            row(["", known(offset_words(plane, pose)), known(gap_words(plane, pose)), ""], _POSE_COLUMNS)
        )
    lines.append(line(("± is U (95 %), twice the standard uncertainty.", "$quiet")))
    return [line(" ", content) for content in lines]


def _pose_cells(plane: Plane, pose: PlanePose, gap_mm: float | None, units: Units) -> list[Cell]:
    return [
        (plane_words(plane), "bold"),
        known(length_with_u(pose.offset_mm, pose.offset_u_mm, units), "bold"),
        known(slope_with_u(pose.slope_mm_per_m, pose.slope_u_mm_per_m, units), "bold"),
        known(length(gap_mm, units), "bold"),
    ]


def _verdict_lines(snapshot: Snapshot, width: int) -> list[Content]:
    verdict = snapshot.verdict
    worst = verdict.worst or (
        f"{100 * verdict.used:.0f} % of the limit used" if verdict.used is not None else ""
    )
    rule = "; ".join(part for part in (verdict.limit or verdict.criterion, verdict.source) if part)
    lines = [line(" ", verdict_cell(snapshot))]
    lines += [line(" ", part) for part in wrap(f"worst: {worst}", width - 2, rows=2) if worst]
    return lines + [line(" ", (part, "$quiet")) for part in wrap(f"limit: {rule}", width - 2, rows=2) if rule]


def _feet_lines(feet: tuple[Foot, ...], units: Units) -> list[Content]:
    heads = ("move", *(plane_words(plane) for plane in _PLANES))
    lines = [row([(head, "$quiet") for head in heads], _FEET_COLUMNS)]
    for foot in feet:
        up = _move(foot.vertical_words, foot.vertical_mm, foot.vertical_u_mm, units)
        across = _move(foot.horizontal_words, foot.horizontal_mm, foot.horizontal_u_mm, units)
        lines.append(row([(printable(foot.name), "bold"), up, across], _FEET_COLUMNS))
    return [line(" ", content) for content in lines]


def _move(words: str, move_mm: float | None, u_mm: float | None, units: Units) -> Cell:
    """Return a move as the core says it, with its U."""
    if move_mm is None:
        return known(NOT_KNOWN)
    return f"{printable(words)}  {plus_minus(u_mm, units)}", "bold"


def _kept_lines(snapshot: Snapshot, units: Units) -> list[Content]:
    """Return as found beside as left; before anything has been left there is nothing to compare."""
    found, left = snapshot.as_found, snapshot.as_left
    if found is None or left is None:
        return []
    lines = [row([(head, "$quiet") for head in ("", "as found", "as left")], _KEPT_COLUMNS)]
    for plane in _PLANES:
        lines.append(
            row(
                [f"offset {plane_words(plane)}", *(_kept_offset(k, plane, units) for k in (found, left))],
                _KEPT_COLUMNS,
            )
        )
        lines.append(
            row(
                [f"angle {plane_words(plane)}", *(_kept_angle(k, plane, units) for k in (found, left))],
                _KEPT_COLUMNS,
            )
        )
    verdicts: list[Cell] = [(_short_verdict(k), STATE_STYLE[k.verdict.state]) for k in (found, left)]
    lines.append(row(["verdict", *verdicts], _KEPT_COLUMNS))
    return [line(" ", content) for content in lines]


def _plane_of(kept: Finding, plane: Plane) -> PlanePose:
    return kept.pose.vertical if plane == "vertical" else kept.pose.horizontal


def _kept_offset(kept: Finding, plane: Plane, units: Units) -> Cell:
    pose = _plane_of(kept, plane)
    return known(length_with_u(pose.offset_mm, pose.offset_u_mm, units))


def _kept_angle(kept: Finding, plane: Plane, units: Units) -> Cell:
    pose = _plane_of(kept, plane)
    return known(slope_with_u(pose.slope_mm_per_m, pose.slope_u_mm_per_m, units))


def _short_verdict(kept: Finding) -> str:
    return verdict_words(kept.verdict).removesuffix(" likely to conform")
