"""The checklist while it is worked off, and when a job may be closed."""

from collections.abc import Sequence
from dataclasses import replace

from livealign.snapshot import Closing, ClosingState, ItemState, ReadinessItem, Verdict
from livealign.units import Units, rounded_up, show_length

__all__ = ["check_off", "check_off_objection", "close_objection", "closing", "open_safety", "reminder"]


def check_off_objection(
    items: Sequence[ReadinessItem],
    item: str,
    state: ItemState,
    *,
    who: str,
    note: str,
    value_mm: float | None,
    units: Units,
) -> str | None:
    """Say why an item cannot be given a state; None if it can.

    An item may always be opened again. Done needs a name, and a value inside the limit where there is one; not applicable
    needs a name and the reason.
    """
    found = next((i for i in items if i.id == item), None)
    if found is None:
        return f"the checklist has no item {item!r}; it has {', '.join(i.id for i in items) or 'none'}"
    if not who.strip():
        return "who says so? a name is needed"
    if state == "not applicable" and not note.strip():
        return "say why it does not apply"
    if state != "done" or found.limit_mm is None:
        return None
    limit = f"{show_length(found.limit_mm, units)} ({found.source})"
    if value_mm is None:
        return f"say what was measured: at most {limit}"
    if value_mm < 0.0:
        return "a size is measured: it is not below zero"
    if value_mm > found.limit_mm:
        unit, size, decimals = ("mil", 0.0254, 1) if units == "inch" else ("mm", 1.0, 2)
        found_words = f"{rounded_up(value_mm / size, decimals):.{decimals}f} {unit}"
        return f"{found_words} is more than the limit of {limit}: mend it first"
    return None


def check_off(
    items: Sequence[ReadinessItem],
    item: str,
    state: ItemState,
    *,
    who: str,
    time_s: float,
    note: str,
    value_mm: float | None,
) -> tuple[ReadinessItem, ...]:
    """Return the checklist with an item in a new state."""
    return tuple(
        replace(
            i,
            state=state,
            who=who.strip(),
            time_s=round(time_s, 6),
            note=note.strip(),
            value_mm=value_mm if state == "done" and i.limit_mm is not None else None,
        )
        if i.id == item
        else i
        for i in items
    )


def open_safety(items: Sequence[ReadinessItem]) -> tuple[ReadinessItem, ...]:
    """Return the safety items that are still open."""
    return tuple(i for i in items if i.safety and i.state == "open")


def reminder(items: Sequence[ReadinessItem]) -> str:
    """Say before anything turns what is still open; empty if nothing is."""
    titles = [i.title for i in open_safety(items)]
    if not titles:
        return ""
    more = f" and {len(titles) - 1} more" if len(titles) > 1 else ""
    return f"Safety first, still open: {titles[0][:1].lower()}{titles[0][1:]}{more} (page Readiness)."


def close_objection(
    items: Sequence[ReadinessItem],
    state: ClosingState,
    *,
    who: str,
    note: str,
    verdict: Verdict | None,
) -> str | None:
    """Say why a job cannot be closed so; None if it can.

    Args:
        items: the checklist.
        state: as what it is to be closed.
        who: the person who answers for it.
        note: the reason, where it is not verified.
        verdict: of the last rotation, if nothing was adjusted since; None if a new rotation must come first.
    """
    if not who.strip():
        return "who closes the job? a name is needed"
    if state == "not verified":
        return None if note.strip() else "say why it is closed without being verified"
    left = open_safety(items)
    if left:
        return f"safety items are still open: {', '.join(i.title for i in left)}"
    if verdict is None:
        return "a rotation must verify what was done last: turn once more"
    if verdict.state != "conforming":
        return f"the last rotation says {verdict.state}: adjust further, or close the job as not verified"
    return None


def closing(state: ClosingState, who: str, time_s: float, note: str) -> Closing:
    """Return how a job was closed."""
    return Closing(state, who.strip(), round(time_s, 6), note.strip())
