"""What the practice panel says: how the simulated machine stands, and truth beside estimate."""

from collections.abc import Iterator
from typing import Any

from textual.content import Content

from livealign.snapshot import PlanePose, Snapshot
from livealign_tui.block import known, line, row
from livealign_tui.page import verdict_cell
from livealign_tui.words import Units, expanded, number, printable, rounded_up, units_of

__all__ = ["STEPS", "state_words", "step_words", "truth_lines"]

STEPS = {"mm": (0.02, 0.05, 0.1, 0.2, 0.5, 1.0), "inch": (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)}
"""Amounts to choose from, in mm or mil."""
_COLUMNS = (28, -9, -9, -7, 0)


def step_words(step: float, units: Units) -> str:
    """Return an amount without its unit."""
    return f"{step:.2f}" if units.length == "mm" else f"{step:.0f}"


def state_words(state: dict[str, Any], foot: int, side: str, units: Units, width: int) -> str:
    """Return how the shafts stand and what has been done at a foot plane, or at one foot of it, in so much room."""
    angle, goal = (f"{state[key] % 360:.0f}" for key in ("angle_deg", "goal_deg"))
    at = state["feet"][foot]
    sides = ("left", "right") if side == "both" else (side,)
    shims = {_amount(at["shims_mm"][s], units) for s in sides}
    put_in = shims.pop() if len(shims) == 1 else "uneven"
    loose = sum(at["bolts"][s] == "loose" for s in sides)
    name, pushed = printable(at["name"]), _amount(at["shifted_mm"], units)
    shafts = f"{angle} to {goal} deg" if state["turning"] else f"{angle} deg"
    bolts = "tight" if not loose else "loose" if loose == len(sides) else "one bolt loose"
    whole = f"{shafts}  {name}, {side}: shims {put_in}, pushed {pushed} {units.length}, {bolts}"
    if len(whole) <= width:
        return whole
    shafts = f"to {goal} deg" if state["turning"] else shafts
    bolts = bolts.replace("one bolt", "1")
    rest = f", {side}: shims {put_in}, pushed {pushed}, {bolts}"
    room = max(width - len(shafts) - len(rest) - 2, 4)
    name = name if len(name) <= room else name[: room - 1] + "~"
    return f"{shafts}  {name}{rest}"


def truth_lines(snapshot: Snapshot | None, truth: dict[str, Any]) -> list[Content]:
    """Return the true pose and the moves still to make, with what the program says of them."""
    units = units_of("mm" if snapshot is None else snapshot.units)
    head = ("", "true", "told", "± U", "")
    lines = [row([(cell, "bold") for cell in head], _COLUMNS)]
    if snapshot is not None:
        lines += _pose_lines(snapshot, truth["pose"], units)
        lines += _foot_lines(snapshot, truth["feet"], units)
        lines += [line(""), line("The program says: ", verdict_cell(snapshot))]
    return lines


def _pose_lines(snapshot: Snapshot, truth: dict[str, Any], units: Units) -> Iterator[Content]:
    told: tuple[tuple[str, str, PlanePose], ...] = (
        ("up and down", "vertical", snapshot.pose.vertical),
        ("sideways", "horizontal", snapshot.pose.horizontal),
    )
    for words, plane, pose in told:
        true = truth[plane]
        yield _compared(
            f"offset {words}, {units.length}",
            true["offset_mm"] * units.per_mm,
            _scaled(pose.offset_mm, units),
            _scaled(pose.offset_u_mm, units),
            units.decimals,
        )
        yield _compared(
            f"slope {words}, {units.slope}",
            true["slope_mm_per_m"],
            pose.slope_mm_per_m,
            pose.slope_u_mm_per_m,
            3,
        )


def _foot_lines(snapshot: Snapshot, truth: list[dict[str, Any]], units: Units) -> Iterator[Content]:
    true = {foot["name"]: foot for foot in truth}
    for foot in snapshot.feet:
        if foot.name not in true:
            continue
        for words, key, value, u in (
            ("shims", "vertical_mm", foot.vertical_mm, foot.vertical_u_mm),
            ("push", "horizontal_mm", foot.horizontal_mm, foot.horizontal_u_mm),
        ):
            yield _compared(
                f"{printable(foot.name)}, {words} to go, {units.length}",
                true[foot.name][key] * units.per_mm,
                _scaled(value, units),
                _scaled(u, units),
                units.decimals,
            )


def _compared(name: str, true: float, told: float | None, u: float | None, decimals: int) -> Content:
    spread = expanded(u)
    within = (
        "" if told is None or spread is None else "within" if abs(told - true) <= spread else "not within"
    )
    around = "" if spread is None else rounded_up(spread, decimals)
    style = "$not-conforming" if within == "not within" else "$conforming"
    cells = (name, number(true, decimals), known(number(told, decimals)), around, (within, style))
    return row(cells, _COLUMNS)


def _amount(mm: float, units: Units) -> str:
    return number(mm * units.per_mm, 2 if units.length == "mm" else 1)


def _scaled(mm: float | None, units: Units) -> float | None:
    return None if mm is None else mm * units.per_mm
