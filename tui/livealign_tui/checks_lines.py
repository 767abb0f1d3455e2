"""The checklist on lines: what is open, who said what of the rest, and all about the item that is chosen."""

from textual.content import Content

from livealign.snapshot import Closing, ReadinessItem, Snapshot
from livealign_tui.block import Cell, line, row
from livealign_tui.words import Units, ago, length, printable, wrap

__all__ = ["CAUTION", "caution_lines", "item_lines", "rest_lines"]

CAUTION = (
    "Working on rotating machines can kill. livealign measures; it makes nothing safe."
    " Local codes and the plant's procedures come first."
)
_COLUMNS = (1, 6, 41, 0)
_STATE_STYLE = {"open": "", "done": "$conforming", "not applicable": "$quiet"}


def caution_lines(width: int) -> list[Content]:
    """Return the caution."""
    return [line(" ", (part, "bold $not-conforming")) for part in wrap(CAUTION, width - 2)]


def item_lines(snapshot: Snapshot, chosen: int, rows: int) -> list[Content]:
    """Return the items around the chosen one, on at most `rows` lines."""
    items = snapshot.readiness
    if not items:
        return [line((" this job has no checklist", "$quiet"))]
    first = max(0, min(chosen - rows // 2, len(items) - rows))
    return [
        line(" ", row(_cells(item, snapshot.time_s, here=i == chosen), _COLUMNS))
        for i, item in enumerate(items[first : first + max(rows, 1)], first)
    ]


def _cells(item: ReadinessItem, now_s: float, *, here: bool) -> list[Cell]:
    unsafe = item.safety and item.state == "open"
    mark: Cell = ("safety", "bold $not-conforming" if unsafe else "$quiet") if item.safety else ""
    said: str = item.state
    if item.state != "open" or item.who:
        said = f"{said}   {printable(item.who)}, {ago(now_s - (item.time_s or 0.0))}"
    style = _STATE_STYLE[item.state]
    return [
        (">" if here else " ", "bold"),
        mark,
        (printable(item.title), "bold" if here else ""),
        (said, style),
    ]


def rest_lines(snapshot: Snapshot, chosen: int, units: Units, width: int) -> list[Content]:
    """Return what is to be said of the chosen item, and of how many are open."""
    lines: list[Content] = []
    if chosen < len(snapshot.readiness):
        item = snapshot.readiness[chosen]
        said = item.text
        if item.limit_mm is not None:
            said += f" At most {length(item.limit_mm, units, sign=False)}"
            said += (
                "." if item.value_mm is None else f", measured {length(item.value_mm, units, sign=False)}."
            )
        lines += [line(" ", part) for part in wrap(said, width - 2, rows=2)]
        more = ". ".join(part for part in (item.note, item.source) if part)
        lines += [line(" ", (part, "$quiet")) for part in wrap(more, width - 2, rows=2)]
    return [*lines, _open_line(snapshot)]


def _open_line(snapshot: Snapshot) -> Content:
    if snapshot.closed is not None:
        return line(" ", (_closed_words(snapshot.closed, snapshot.time_s), "bold $conforming"))
    left = [i for i in snapshot.readiness if i.state == "open"]
    safety = sum(i.safety for i in left)
    if safety:
        return line(" ", (f"{len(left)} open, {safety} of them for safety", "bold $not-conforming"))
    return line(
        " ", (f"{len(left)} open, none of them for safety", "bold") if left else ("all checked", "bold")
    )


def _closed_words(closed: Closing, now_s: float) -> str:
    why = f": {closed.note}" if closed.note else ""
    return printable(f"closed as {closed.state} by {closed.who}, {ago(now_s - closed.time_s)}{why}")
