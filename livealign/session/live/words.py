"""Numbers and names in words."""

import math
from collections.abc import Iterable

__all__ = ["joined", "multiple", "number", "sentence", "share", "times_words", "with_unit"]

_WORDS = ("two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def number(value: float) -> str:
    """Return a number with two or three figures that count, never with a power of ten."""
    if abs(value) >= 100:
        return f"{value:.0f}"
    if abs(value) >= 1 or value == 0.0:
        return f"{value:.3g}"
    text = f"{value:.{1 - math.floor(math.log10(abs(value)))}f}"
    return text.rstrip("0")


def with_unit(value: float, unit: str) -> str:
    """Return a number with its unit, if it has one."""
    return f"{number(value)} {unit}".strip()


def share(part: float) -> str:
    """Return a share of 1: "12 %" or "all"."""
    return "all" if part > 0.995 else f"{100 * part:.0f} %"


def multiple(ratio: float) -> str:
    """Return a ratio: "six times" or "15 times"."""
    whole = round(ratio)
    return f"{_WORDS[whole - 2] if 2 <= whole <= 12 else whole} times"


def times_words(n: int) -> str:
    """Return how often: "once", "twice", "three times"."""
    return {1: "once", 2: "twice"}.get(n) or multiple(n)


def sentence(text: str) -> str:
    """Return a text that begins and ends as a sentence does."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def joined(names: Iterable[str]) -> str:
    """Return names, each once: "head S and head M"."""
    return " and ".join(dict.fromkeys(names))
