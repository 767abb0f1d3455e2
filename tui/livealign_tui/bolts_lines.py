"""Soft feet, and the shaft while bolts are tightened, on lines."""

from textual.content import Content

from livealign.snapshot import BoltUpMove, BoltUpStep, Snapshot, SoftFootState
from livealign_tui.block import Cell, known, line, row
from livealign_tui.words import NOT_KNOWN, Units, length_with_u, number, printable, wrap

__all__ = ["bolt_up_lines", "soft_foot_lines", "soft_foot_rows"]

_FEET_COLUMNS = (1, 18, 12, 19, 0)
_STEP_COLUMNS = (22, 25, 0)
_KIND_STYLE = {"none": "$conforming", "not known": "$unknown"}
_VERDICT_STYLE = {
    "inside": "bold $conforming",
    "beyond": "bold $not-conforming",
    "undecided": "bold $undecided",
    "not known": "$unknown",
}


def soft_foot_rows(snapshot: Snapshot) -> int:
    """Return how many feet can be chosen."""
    return len(snapshot.soft_foot.feet)


def soft_foot_lines(snapshot: Snapshot, chosen: int, units: Units, width: int, rows: int) -> list[Content]:
    """Return what to do now, and the feet, each with its rise, its kind and what to do, on at most `rows` lines."""
    told = snapshot.soft_foot
    head = "soft foot" if not told.round else f"soft foot, round {told.round}"
    limit = "" if told.limit_mm is None else f"   limit {number(told.limit_mm * units.per_mm, 2, sign=False)}"
    lines = [line(" ", (head, "bold"), (f"{limit} {units.length}", "$quiet"))]
    lines += [line(" ", (part, "$quiet")) for part in wrap(told.source, width - 2)]
    if not told.feet:
        text = "Loosen one bolt at a time while the shafts stay parked, best near 12 or 6 o'clock. e begins."
        return [*lines, *(line(" ", part) for part in wrap(text, width - 2))]
    heads = ("", "foot", "bolt", "rise", "corners, by gauge")
    words = told.words if told.state == "watching" else "this round has ended; e begins another"
    lines += [line(" ", (part, "bold")) for part in wrap(words, width - 2)]
    lines += [line(""), line(" ", row([(h, "$quiet") for h in heads], _FEET_COLUMNS))]
    feet = [_foot_lines(f, units, width, here=i == chosen) for i, f in enumerate(told.feet)]
    # Those above the chosen one make room for it.
    first, room = 0, rows - len(lines)
    while first < chosen and sum(len(lines_of) for lines_of in feet[first : chosen + 1]) > room:
        first += 1
    return [*lines, *(one for lines_of in feet[first:] for one in lines_of)][:rows]


def _foot_lines(foot: SoftFootState, units: Units, width: int, *, here: bool) -> list[Content]:
    # Of one decimal more than a shim has, nothing is to be had.
    gaps = "/".join(number(g * units.per_mm, units.decimals - 1, sign=False) for g in foot.gaps_mm)
    cells: list[Cell] = [
        (">" if here else " ", "bold"),
        (printable(f"{foot.plane}, {foot.side}"), "bold" if here else ""),
        (foot.bolt, "bold $undecided" if foot.bolt == "loose" else ""),
        known(length_with_u(foot.rise_mm, foot.rise_u_mm, units)),
        gaps or ("-", "$quiet"),
    ]
    style = _KIND_STYLE.get(foot.kind, "bold $not-conforming")
    said = foot.kind if not foot.words else f"{foot.kind}: {foot.words}"
    if foot.kind in {"none", "not known"}:
        said = foot.words
    below = [line("      ", (part, style)) for part in wrap(said, width - 8, rows=2)] if said else []
    return [line(" ", row(cells, _FEET_COLUMNS)), *below]


def bolt_up_lines(snapshot: Snapshot, units: Units, width: int, rows: int) -> list[Content]:
    """Return the last steps with the movement of the shaft, and what it comes to, on about `rows` lines."""
    told = snapshot.bolt_up
    limit = "" if told.limit_mm is None else f"   limit {number(told.limit_mm * units.per_mm, 2, sign=False)}"
    source = [line(" ", (part, "$quiet")) for part in wrap(told.source, width - 2)]
    lines = [
        line(" ", ("shaft while bolts are tightened", "bold"), (f"{limit} {units.length}", "$quiet")),
        *source,
    ]
    if told.state == "not begun":
        text = (
            "Park the shafts, then tighten flanges or bolts one after another and mark each step. e begins."
        )
        return [*lines, *(line(" ", part) for part in wrap(text, width - 2))]
    heads = ("moved at the coupling", "up and down", "sideways")
    lines.append(line(" ", row([(h, "$quiet") for h in heads], _STEP_COLUMNS)))
    for step in told.steps[-max((rows - 9) // 2, 1) :]:
        lines += _step_lines(step, units)
    lines.append(_move_line("since the beginning", told.since_begin, units, "bold"))
    words = wrap(told.words or NOT_KNOWN, width - 2, rows=3)
    return [
        *lines,
        line(""),
        *(line(" ", (part.replace("+-", "±"), _VERDICT_STYLE[told.verdict])) for part in words),
    ]


def _step_lines(step: BoltUpStep, units: Units) -> list[Content]:
    return [
        line(" ", (printable(step.name), "bold")),
        _move_line("  by this step", step.by_step, units, ""),
    ]


def _move_line(name: str, move: BoltUpMove, units: Units, style: str) -> Content:
    cells: list[Cell] = [
        (name, style),
        known(length_with_u(move.vertical_mm, move.vertical_u_mm, units)),
        known(length_with_u(move.horizontal_mm, move.horizontal_u_mm, units)),
    ]
    return line(" ", row(cells, _STEP_COLUMNS))
