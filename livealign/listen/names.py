"""What the names of fields give away, and names that a rig file takes."""

import re
from collections.abc import Iterable
from typing import Literal

__all__ = ["Role", "plain_name", "role_hint", "unique_names", "unit_hint"]

Role = Literal["angle", "position", "counter", "clock", "light", "temperature", "battery", "other"]

WORDS: dict[Role, tuple[str, ...]] = {
    "angle": ("angle", "ang", "theta", "rot", "rotation", "incl", "inclination", "roll", "tilt", "phi"),
    "position": ("position", "pos", "spot", "disp", "displacement", "dist", "psd", "dial", "plunger", "indicator",
                 "rim", "face", "x", "y"),
    "counter": ("count", "counter", "seq", "sequence", "n", "nr", "no", "num", "id", "index", "record"),
    "clock": ("ms", "us", "time", "t", "ts", "timestamp", "clock", "millis", "micros", "uptime", "ticks", "tick"),
    "light": ("light", "sum", "sigma", "intensity", "lux", "brightness", "level", "power"),
    "temperature": ("temperature", "temp", "tempc", "degc", "celsius", "cel"),
    "battery": ("battery", "batt", "bat", "vbat", "vbatt", "mv", "volt", "volts", "voltage", "supply", "charge"),
}  # fmt: skip
UNITS = {
    "deg": "deg", "degree": "deg", "degrees": "deg", "rad": "rad", "radian": "rad", "radians": "rad", "mm": "mm", "um": "um",
    "µm": "um", "mil": "mil", "mils": "mil", "in": "in", "inch": "in", "m": "m", "ms": "ms", "us": "us", "s": "s",
    "sec": "s", "millis": "ms", "micros": "us",
}  # fmt: skip
NUMBERS = ("nan", "inf", "infinity")
ANGLE_UNITS = ("deg", "rad")
LENGTH_UNITS = ("mm", "um", "mil", "in", "m")


def _words(name: str) -> list[str]:
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return [w for w in re.split(r"[^A-Za-zµ]+", apart.lower()) if w]


def role_hint(name: str) -> Role | None:
    """Return what a field's name says it is."""
    words = _words(name)
    for role, known in WORDS.items():
        if any(w in known for w in words if len(w) > 1 or len(words) == 1):
            return role
    units = {UNITS.get(w) for w in words}
    if units.intersection(ANGLE_UNITS):
        return "angle"
    return "position" if units.intersection(LENGTH_UNITS) - {"in", "m"} else None


def unit_hint(name: str) -> str | None:
    """Return the unit that stands in a field's name: deg, rad, mm, um, mil, in, m, s, ms, us."""
    return next((UNITS[w] for w in reversed(_words(name)) if w in UNITS), None)


def plain_name(text: str) -> str:
    """Return a name that a format's columns and a rig file both take."""
    name = re.sub(r"[^A-Za-z0-9_-]+", "_", text).strip("_-")
    fits = name[:1].isalpha() and name.lower() not in NUMBERS
    return (name if fits else f"f{name}")[:40]


def unique_names(wanted: Iterable[str]) -> list[str]:
    """Return the names, each made different from those before it."""
    taken: list[str] = []
    for name in wanted:
        number, free = 2, name
        while free in taken:
            free = f"{name}{number}"
            number += 1
        taken.append(free)
    return taken
