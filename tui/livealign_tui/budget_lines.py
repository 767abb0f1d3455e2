"""The uncertainty budget: what the figures' uncertainty is made of, and what would shrink it."""

from collections.abc import Iterable, Sequence
from functools import lru_cache

from textual.content import Content

from livealign.snapshot import BudgetLine
from livealign_tui.block import line
from livealign_tui.words import Units, printable, rounded_up, wrap

__all__ = ["table_lines", "worst_foot", "worst_lines"]

_WIDEST_QUANTITY = 24
_U_WIDTH, _K_WIDTH, _PART_WIDTH = 7, 6, 8


def worst_foot(budget: Iterable[BudgetLine], feet: Iterable[str]) -> BudgetLine | None:
    """Return the least certain move at a foot plane."""
    names = tuple(f"{name}, " for name in feet)
    lines = [b for b in budget if b.quantity.startswith(names)]
    return max(lines, key=lambda b: b.k * b.u, default=None)


@lru_cache(maxsize=4)
def worst_lines(
    budget: tuple[BudgetLine, ...], feet: tuple[str, ...], units: Units, width: int, rows: int
) -> tuple[Content, ...]:
    """Return what the least certain move owes its uncertainty to, and what would shrink it, on at most `rows` lines."""
    worst = worst_foot(budget, feet)
    if worst is None or rows < 1:
        return ()
    _, unit, decimals = _scale(worst, units)
    head = line(
        f" {printable(worst.quantity)}: U = {worst.k:.2f} u = ",
        (f"{_expanded(worst, units, decimals)} {unit}", "bold"),
        ", mostly from ",
        (printable(worst.largest), "bold"),
        ("  (b: all)", "$quiet"),
    )
    remedy = wrap(f"to shrink it: {worst.remedy}", width - 4, rows=max(rows - 1, 1))
    return (head, *(line("   ", part) for part in remedy))[:rows]


@lru_cache(maxsize=4)
def table_lines(budget: tuple[BudgetLine, ...], units: Units, width: int) -> tuple[Content, ...]:
    """Return the whole budget: a line a figure, a column a source; the largest part of a line has a star."""
    if not budget:
        return (line(" Where the uncertainty comes from is worked out when a rotation has ended."),)
    sources = tuple(dict.fromkeys(part.source for b in budget for part in b.parts))
    wide = min(max(len(b.quantity) for b in budget), _WIDEST_QUANTITY)
    title = f"What the uncertainty is made of, in {units.length}; of slopes in {units.slope}."
    note = "U (95 %) = k u. After k, each source's u; their squares add up to u squared."
    return (
        line(" ", (title, "bold")),
        *(line(" ", (part, "$quiet")) for part in wrap(note, width - 2)),
        *_heads(sources, wide),
        *(_table_line(b, sources, wide, units) for b in budget),
        *_remedies(budget, width),
    )


def _scale(b: BudgetLine, units: Units) -> tuple[float, str, int]:
    """Return what makes the line's figures the person's, the unit, and how many decimals U has."""
    if b.unit == "mm":
        return units.per_mm, units.length, units.decimals
    # 1 mm/m is 1 mil/in.
    return 1.0, units.slope if b.unit == "mm/m" else b.unit, 2


def _expanded(b: BudgetLine, units: Units, decimals: int) -> str:
    return rounded_up(b.k * b.u * _scale(b, units)[0], decimals)


def _part_width(source: str) -> int:
    return max(_PART_WIDTH, *(len(word) + 1 for word in source.split()))


def _heads(sources: Sequence[str], wide: int) -> list[Content]:
    """Return the names of the columns, a word a line."""
    words = [printable(source).split() for source in sources]
    high = max((len(split) for split in words), default=1)
    made = []
    for i in range(high):
        last = i == high - 1
        text = " " * wide + ("U" if last else "").rjust(_U_WIDTH) + ("k" if last else "").rjust(_K_WIDTH)
        for source, split in zip(sources, words, strict=True):
            # Short names stand on the last line, next to their column.
            word = i - (high - len(split))
            text += (split[word] if word >= 0 else "").rjust(_part_width(source))
        made.append(line(" ", (text, "$quiet")))
    return made


def _table_line(b: BudgetLine, sources: Sequence[str], wide: int, units: Units) -> Content:
    factor, _, decimals = _scale(b, units)
    quantity = printable(b.quantity)
    quantity = quantity if len(quantity) <= wide else f"{quantity[: wide - 1]}~"
    parts = {part.source: part.u for part in b.parts}
    made: list[tuple[str, str]] = [
        (quantity.ljust(wide), ""),
        (_expanded(b, units, decimals).rjust(_U_WIDTH), "bold"),
        (f"{b.k:.2f}".rjust(_K_WIDTH), ""),
    ]
    for source in sources:
        said = f"{parts[source] * factor:.{decimals + 1}f}" if source in parts else "-"
        largest = source == b.largest
        made.append((f"{'*' if largest else ''}{said}".rjust(_part_width(source)), "bold" if largest else ""))
    return line(" ", *made)


def _remedies(budget: Sequence[BudgetLine], width: int) -> list[Content]:
    """Return what would shrink the parts that are the largest somewhere."""
    made = [line(" ", ("* the largest part of its line; what would shrink it:", "$quiet"))]
    for largest, remedy in dict.fromkeys((b.largest, b.remedy) for b in budget):
        parts = wrap(f"{largest}: {remedy}", width - 4, indent="  ")
        made += [line("   ", part) for part in parts]
    return made
