"""Bolts or flanges are tightened one after another while the parked shafts are watched."""

from dataclasses import replace

from livealign.advice import bolt_up as advice
from livealign.model.rig import RigModel
from livealign.model.shift import Rest, Shift, Watch, shift
from livealign.session.events import Command
from livealign.session.intake import Reading
from livealign.snapshot import BoltUp, BoltUpMove, BoltUpStep, Plane
from livealign.units import Units

__all__ = ["BoltUpWatch"]

_ALLOWANCE = (2e-4, 5e-4, 2e-4, 5e-4)
"""What tightening may do to Y0, Y', Z0, Z': four times the limit, and as much more 0.4 m further on (no source)."""
_PLANES: tuple[Plane, Plane] = ("vertical", "horizontal")
_MOST_STEPS = 40


class BoltUpWatch:
    """The movement of the shaft at the coupling's centre, by step and since the beginning."""

    def __init__(self, model: RigModel, units: Units) -> None:
        """Begin with nothing.

        Args:
            model: the rig.
            units: for words.
        """
        self._model = model
        self._units: Units = units
        self._watch: Watch | None = None
        self._first: Rest | None = None
        """Before anything was tightened."""
        self._marked: Rest | None = None
        """At the end of the last step."""
        self._largest: dict[Plane, tuple[float, float]] = {}
        self._turned = False
        self._told = BoltUp(limit_mm=advice.LIMIT_MM, source=advice.SOURCE)

    @property
    def watching(self) -> bool:
        """Is it going on?"""
        return self._watch is not None

    def objection(self, command: Command) -> str | None:
        """Say why a command cannot be obeyed now; None if it can."""
        running = self._watch is not None
        if command.action == "begin":
            return "the shaft is being watched already: end that first" if running else None
        if command.action not in {"mark", "end"}:
            return "say what is done: begin, mark or end"
        if not running:
            return "begin to watch the shaft first"
        if command.action == "mark":
            return self._mark_objection(command.text)
        return None

    def obey(self, command: Command, now_s: float) -> None:
        """Do what `objection` has nothing against."""
        if command.action == "begin":
            self._watch, self._first, self._marked = Watch(self._model), None, None
            self._largest, self._turned = {}, False
            self._told = BoltUp(state="watching", limit_mm=advice.LIMIT_MM, source=advice.SOURCE)
        elif command.action == "end":
            self._watch = None
            self._told = replace(self._told, state="ended")
        elif self._watch is not None and (rest := self._watch.rest()) is not None:
            self._mark(command.text.strip(), rest, now_s)

    def add(self, readings: list[Reading]) -> None:
        """Take readings while it goes on."""
        if self._watch is None or not readings:
            return
        for r in readings:
            self._watch.add(r.detector, r.time_s, r.angle_rad, r.position_m)
        rest = self._watch.rest()
        if rest is None:
            return
        if self._first is None or self._marked is None:
            self._first = self._marked = rest
        self._look(rest, self._first)

    def told(self) -> BoltUp:
        """Return what the snapshot tells."""
        at_rest = self._watch is not None and self._watch.rest() is not None
        return replace(self._told, at_rest=at_rest, words=self._words(at_rest))

    def _mark_objection(self, name: str) -> str | None:
        if not name.strip():
            return "say what was tightened"
        if len(self._told.steps) >= _MOST_STEPS:
            return f"there are {_MOST_STEPS} steps already: end it and begin anew"
        at_rest = self._watch is not None and self._watch.rest() is not None
        return None if at_rest else "wait until the readings are at rest"

    def _look(self, rest: Rest, first: Rest) -> None:
        moved = shift(self._model, first, rest, _ALLOWANCE)
        self._turned = moved is None
        if moved is None:
            return
        for plane in _PLANES:
            seen = _seen(moved, plane)
            if seen is not None and abs(seen[0]) >= abs(self._largest.get(plane, (0.0, 0.0))[0]):
                self._largest[plane] = seen
        self._told = replace(self._told, since_begin=_move(moved), verdict=advice.judge(self._largest))

    def _mark(self, name: str, rest: Rest, now_s: float) -> None:
        if self._first is None or self._marked is None:
            return
        step = BoltUpStep(
            name,
            round(now_s, 6),
            _move(shift(self._model, self._marked, rest, _ALLOWANCE)),
            _move(shift(self._model, self._first, rest, _ALLOWANCE)),
        )
        self._marked = rest
        self._told = replace(self._told, steps=(*self._told.steps, step))

    def _words(self, at_rest: bool) -> str:
        if self._told.state == "not begun":
            return ""
        if self._turned:
            return "the shafts have been turned: loosen, and begin anew"
        if self._watch is not None and not at_rest:
            return "wait until the readings are at rest"
        said = advice.verdict_words(self._largest, self._units)
        if self._watch is None:
            return said
        return said if self._told.steps else f"tighten the first, then mark the step; {said}"


def _seen(moved: Shift, plane: Plane) -> tuple[float, float] | None:
    """Return the movement at the coupling's centre in mm with its standard uncertainty; None if it is not seen."""
    vertical = plane == "vertical"
    if not moved.known[2 if vertical else 0]:
        return None
    size, u = moved.at(0.0, vertical=vertical)
    return round(1e3 * size, 6), round(1e3 * u, 6)


def _move(moved: Shift | None) -> BoltUpMove:
    if moved is None:
        return BoltUpMove()
    vertical, horizontal = (_seen(moved, p) or (None, None) for p in _PLANES)
    return BoltUpMove(*vertical, *horizontal)
