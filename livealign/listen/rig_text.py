"""A rig file from what was found, with what was guessed and why as comments."""

import json
import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from livealign.listen.guess import FormatGuess
from livealign.listen.names import Role, plain_name, unique_names
from livealign.listen.roles import ColumnGuess

__all__ = ["HeadGuess", "named_by_role", "rig_text", "what_lacks"]

WIDTH = 110
MM = {"mm": 1.0, "um": 1e-3, "mil": 0.0254, "in": 25.4, "m": 1e3}
LETTER = {"stationary": "S", "movable": "M"}
WHY_NAMES: dict[Role, str] = {
    "counter": "count", "clock": "time", "angle": "angle", "position": "spot", "light": "light",
    "temperature": "temperature", "battery": "battery",
}  # fmt: skip
AUXILIARY = {"temperature": "degC", "battery": ""}


@dataclass(frozen=True, slots=True)
class HeadGuess:
    """What was found at one source."""

    source: str
    driver: Mapping[str, Any]
    """`kind` and settings."""
    format: FormatGuess
    columns: Sequence[ColumnGuess]
    shaft: Literal["stationary", "movable"]
    shaft_told: bool = False
    """The person said which shaft it is."""
    sense_told: bool = False
    """The person turned clockwise when asked to."""
    rate_hz: float | None = None

    def of(self, role: Role) -> list[ColumnGuess]:
        """Return the columns taken for something."""
        return [c for c in self.columns if c.role == role]


def named_by_role(
    guess: FormatGuess, columns: Sequence[ColumnGuess]
) -> tuple[FormatGuess, list[ColumnGuess]]:
    """Return both with fields that the device does not name called by what they are."""
    nameless = {f.name for f in guess.shape.fields if not f.hint}
    if "columns" not in guess.shape.options:
        return guess, list(columns)
    wanted = [WHY_NAMES.get(c.role, c.name) if c.name in nameless else c.name for c in columns]
    names = dict(zip((c.name for c in columns), unique_names(wanted), strict=True))

    def said(words: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(re.sub(r"\bc[0-9]+\b", lambda m: names.get(m[0], m[0]), w) for w in words)

    renamed = [
        replace(c, name=names[c.name], reasons=said(c.reasons), doubts=said(c.doubts)) for c in columns
    ]
    return guess.renamed(names), renamed


def what_lacks(heads: Sequence[HeadGuess]) -> str:
    """Return what a rig file needs and was not found, in words; empty if nothing lacks."""
    if not any(h.of("angle") for h in heads):
        return "no column behaves as an angle does: turn the shafts while listening"
    if not any(h.of("position") for h in heads):
        return "no column behaves as a position does"
    return ""


def rig_text(heads: Sequence[HeadGuess], name: str = "found by listening") -> str:
    """Return the text of a rig file; `what_lacks` must say that nothing lacks."""
    letters = [LETTER[h.shaft] for h in heads]
    links = unique_names(letters)
    lines = [
        "# What `livealign listen` found. Everything here is a guess from the bytes: read the comments,",
        "# correct what is wrong, then check it with: livealign check job.toml THIS_FILE",
        'schema = "livealign.rig/1"',
        f"name = {_value(name)}",
    ]
    for head, link in zip(heads, links, strict=True):
        lines += ["", *_link(head, link)]
    for head, link in zip(heads, links, strict=True):
        if head.of("angle") or head.of("position"):
            lines += ["", *_head(head, link)]
    return "\n".join(lines) + "\n"


def _link(head: HeadGuess, link: str) -> Iterator[str]:
    guess = head.format
    yield "[[links]]"
    yield f"name = {_value(link)}"
    yield f"driver = {_value(head.driver)}"
    yield from _comment(f"Format, confidence {guess.confidence:.2f}: {'; '.join(guess.reasons)}.")
    yield from _doubts(guess.doubts)
    yield f"format = {_value({'kind': guess.shape.kind, **guess.shape.options})}"
    for clock in head.of("clock"):
        yield from _why(clock)
        wrap = {} if clock.bits is None else {"wrap_bits": clock.bits}
        yield f"clock = {_value({'field': clock.name, 'unit': clock.unit, **wrap})}"
    for counter in head.of("counter"):
        yield from _why(counter)
        yield f"sequence = {_value(counter.name)}"
        yield f"sequence_bits = {counter.bits or 32}"
    if not head.of("clock") and head.rate_hz:
        yield "# No clock of the device was found, so its rate as it came stands here."
        yield f"nominal_rate_hz = {head.rate_hz:.4g}"
    if other := [c for c in head.columns if c.role == "other"]:
        yield from _comment(
            f"Not used, for it is not known what they are: {', '.join(c.name for c in other)}."
        )


def _head(head: HeadGuess, link: str) -> Iterator[str]:
    yield "[[heads]]"
    yield f"name = {_value(f'head {link}')}"
    if not head.shaft_told:
        yield "# Which shaft carries it cannot be told from the numbers: correct it if this is wrong."
    yield f"shaft = {_value(head.shaft)}"
    yield f"link = {_value(link)}"
    for angle in head.of("angle")[:1]:
        yield ""
        yield "[heads.angle]"
        yield from _why(angle)
        yield f"field = {_value(angle.name)}"
        yield f"unit = {_value(angle.unit)}"
        if head.sense_told:
            yield f"# It {'fell' if angle.counterclockwise else 'rose'} when the shafts were turned clockwise."
            yield f"sense = {_value('counterclockwise' if angle.counterclockwise else 'clockwise')}"
        else:
            yield "# Not known: whether it grows clockwise (seen from behind the movable machine), and its zero."
            yield 'sense = "clockwise"'
        yield f"noise_deg = {_noise_deg(angle):.2g}"
    light = head.of("light")[0] if len(head.of("light")) == 1 else None
    names = unique_names("position" for _ in head.of("position"))
    for position, label in zip(head.of("position"), names, strict=True):
        yield ""
        yield from _detector(head, position, label, light)
    slow = [c for c in head.columns if c.role in AUXILIARY]
    for one in [*slow, *(head.of("light") if light is None else [])]:
        yield ""
        yield "[[heads.auxiliary]]"
        yield from _why(one)
        yield f"name = {_value(plain_name(one.name))}"
        yield f"field = {_value(one.name)}"
        unit = AUXILIARY.get(one.role) or one.unit
        if unit:
            yield f"unit = {_value(unit)}"


def _detector(head: HeadGuess, position: ColumnGuess, label: str, light: ColumnGuess | None) -> Iterator[str]:
    yield "[[heads.detectors]]"
    if len(head.of("position")) > 1:
        yield '# Several detectors: say which way each looks (axis = "tangential") or where it stands (depth_mm).'
        yield f"name = {_value(label)}"
    yield from _why(position)
    yield f"field = {_value(position.name)}"
    if position.unit == "m":
        yield 'unit = "mm"'
        yield "gain = 0.001  # it tells metres"
    else:
        yield f"unit = {_value(position.unit)}"
    yield "# Not known: which way it grows (polarity), and whether a light spot or an indicator tells it (kind)."
    yield f"noise_mm = {_noise_mm(position):.2g}"
    if light is not None and light.behaviour is not None:
        yield from _why(light)
        yield f"light_field = {_value(light.name)}"
        yield "# Half of what came while listening."
        yield f"dim_below = {0.5 * light.behaviour.middle:.3g}"


def _noise_deg(angle: ColumnGuess) -> float:
    if angle.behaviour is None:
        return 0.05
    per = 57.29578 if angle.unit == "rad" else 1.0
    return min(2.0, max(0.01, angle.behaviour.noise * per, 0.3 * angle.behaviour.quantum * per))


def _noise_mm(position: ColumnGuess) -> float:
    if position.behaviour is None:
        return 0.002
    per = MM[position.unit]
    return min(0.1, max(0.001, position.behaviour.noise * per, 0.3 * position.behaviour.quantum * per))


def _why(column: ColumnGuess) -> Iterator[str]:
    yield from _comment(
        f"{column.name}: {column.role}, confidence {column.confidence:.2f}: {'; '.join(column.reasons)}."
    )
    yield from _doubts(column.doubts)


def _doubts(doubts: Sequence[str]) -> Iterator[str]:
    for doubt in doubts:
        yield from _comment(f"DOUBT: {doubt}.")


def _comment(text: str) -> Iterator[str]:
    # The device's own words may stand in it: nothing of them may end the line.
    plain = "".join(c if c.isprintable() else "?" for c in text)
    for line in textwrap.wrap(plain, WIDTH, break_on_hyphens=False):
        yield f"# {line}"


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    # JSON's strings, numbers and booleans are TOML's too, but for one control character.
    return json.dumps(value, ensure_ascii=True).replace("\x7f", "\\u007f")


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else _value(key)
