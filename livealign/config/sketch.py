"""The points along the shafts on one line, to scale, in plain characters."""

from collections.abc import Sequence

__all__ = ["sketch"]

_LONGEST = 28
_MARGIN = 4
_GAP = 2


def sketch(points: Sequence[tuple[str, float]], left: str, right: str, width: int = 78) -> list[str]:
    """Return lines that show named points at their places, the least on the left, the machines' names at the ends.

    Points that fall on the same column share a label; a label begins under its point. No line is wider than `width`.
    """
    columns = _columns(points, width)
    rule = "".join("+" if i in columns else "-" for i in range(width))
    half = (width - _GAP) // 2
    left, right = _cut(left, half), _cut(right, half)
    return [f"{left}{' ' * (width - len(left) - len(right))}{right}", rule, *_labels(columns, width)]


def _columns(points: Sequence[tuple[str, float]], width: int) -> dict[int, str]:
    """Return the label of each column that has one, from left to right."""
    longest = max((min(len(name), _LONGEST) for name, _ in points), default=0)
    room = width - _MARGIN - max(longest, _MARGIN + 1)
    xs = [x for _, x in points]
    names: dict[int, list[str]] = {}
    for name, x in sorted(points, key=lambda p: p[1]):
        span = max(xs) - min(xs)
        share = (x - min(xs)) / span if span else 0.5
        names.setdefault(_MARGIN + round(share * room), []).append(name)
    return {column: _cut(", ".join(found), width - column) for column, found in names.items()}


def _labels(columns: dict[int, str], width: int) -> list[str]:
    """Put each label as high as there is room, from the right, so that no leader has to cross a label."""
    rows: list[list[str]] = []
    for column, label in reversed(columns.items()):
        end = column + len(label)
        level = next(
            (i for i, row in enumerate(rows) if not "".join(row[column : end + _GAP]).strip()), len(rows)
        )
        if level == len(rows):
            rows.append([" "] * width)
        for row in rows[:level]:
            row[column] = "|"
        rows[level][column:end] = label
    return ["".join(row).rstrip() for row in rows]


def _cut(text: str, longest: int) -> str:
    text = " ".join(text.split())
    return text if len(text) <= longest else f"{text[: longest - 2]}.."
