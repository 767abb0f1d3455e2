"""What a checklist asks for, in words."""

from collections.abc import Iterator

from livealign.config.checklist import Checklist

__all__ = ["checklist_lines"]


def checklist_lines(checklist: Checklist) -> Iterator[str]:
    """Yield what a checklist asks for, a line at a time."""
    count = sum(i.safety for i in checklist.items)
    yield f"Checklist: {checklist.name}"
    yield f"  {len(checklist.items)} items, {count} of them for safety"
    for item in checklist.items:
        yield f"  {item.id}{' (safety)' if item.safety else ''}: {item.title}. {item.text}"
        limit = "" if item.limit_mm is None else f"at most {item.limit_mm:g} mm; "
        if limit or item.source:
            yield f"    {limit}{item.source}"
