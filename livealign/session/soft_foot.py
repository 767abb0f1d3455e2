"""The search for soft feet in a session: bolts are loosened one at a time while the parked shafts are watched."""

from dataclasses import dataclass, replace

from livealign.advice import soft_foot as advice
from livealign.model.coverage import parking
from livealign.model.rig import RigModel
from livealign.model.shift import Rest, Watch, shift
from livealign.model.soft_foot import ALLOWANCE, foot_rise
from livealign.session.events import Command
from livealign.session.intake import Reading
from livealign.snapshot import Side, SoftFoot, SoftFootState
from livealign.units import Units

__all__ = ["SoftFootSearch"]

_SIDES: tuple[Side, Side] = ("left", "right")
_POOR = 0.5
_GAUGED = 4


@dataclass(frozen=True)
class _Loosened:
    """A bolt that was loosened last, and the rests around it."""

    foot: int
    before: Rest
    tight: bool = False


class SoftFootSearch:
    """Rounds over all feet; each round compares with the one before."""

    def __init__(self, model: RigModel, planes: tuple[str, ...], units: Units) -> None:
        """Begin with nothing.

        Args:
            model: the rig, with the foot planes.
            planes: their names.
            units: for words.
        """
        self._model = model
        self._planes = planes
        self._units: Units = units
        self._watch: Watch | None = None
        self._rest: Rest | None = None
        """The last rest since the last command."""
        self._bolt: _Loosened | None = None
        self._told = SoftFoot(limit_mm=advice.LIMIT_MM, source=advice.SOURCE)

    @property
    def watching(self) -> bool:
        """Is a round going on?"""
        return self._watch is not None

    def objection(self, command: Command) -> str | None:
        """Say why a command cannot be obeyed now; None if it can."""
        action, running = command.action, self._watch is not None
        if action == "begin":
            return "soft feet are being looked for already: end it first" if running else None
        if action not in {"loosen", "tighten", "gauge", "end"}:
            return "say what is done: begin, loosen, tighten, gauge or end"
        if not running:
            return "begin to look for soft feet first"
        if action == "end":
            return "the loose bolt must be tightened first" if self._loose is not None else None
        if action == "tighten":
            return None if self._loose is not None else "no bolt is loose"
        return self._foot_objection(command)

    def _foot_objection(self, command: Command) -> str | None:
        if self._index(command) is None:
            return f"there is no such foot; planes are {', '.join(self._planes)}, sides left and right"
        if command.action == "gauge":
            right = len(command.gaps_mm) == _GAUGED and min(command.gaps_mm) >= 0.0
            return None if right else f"four gaps are wanted, 0 or more: {', '.join(advice.CORNERS)}"
        if self._loose is not None:
            return "one bolt at a time: tighten the loose one first"
        return None if self._rest is not None else "wait until the readings are at rest"

    def obey(self, command: Command, now_s: float) -> None:
        """Do what `objection` has nothing against."""
        action = command.action
        if action == "begin":
            self._begin()
        elif action == "end":
            self._watch, self._rest, self._bolt = None, None, None
            self._told = replace(self._told, state="ended")
        elif action == "gauge":
            self._change(self._index(command), gaps_mm=tuple(command.gaps_mm))
        elif action == "loosen" and self._rest is not None and (index := self._index(command)) is not None:
            self._bolt = _Loosened(index, self._rest)
            self._change(index, bolt="loose", rise_mm=None, rise_u_mm=None, left_mm=None)
            self._anew(now_s)
        elif action == "tighten" and self._bolt is not None:
            self._bolt = replace(self._bolt, tight=True)
            self._change(self._bolt.foot, bolt="tightened")
            self._anew(now_s)
        self._told = replace(self._told, feet=advice.judged(self._told.feet, self._units))

    def add(self, readings: list[Reading]) -> None:
        """Take readings while a round goes on."""
        if self._watch is None:
            return
        for r in readings:
            self._watch.add(r.detector, r.time_s, r.angle_rad, r.position_m)
        rest = self._watch.rest() if readings else None
        if rest is not None:
            self._rest = rest
            self._look(rest)

    def told(self) -> SoftFoot:
        """Return what the snapshot tells."""
        at_rest = self._watch is not None and self._watch.rest() is not None
        return replace(self._told, at_rest=at_rest, words=self._words(at_rest))

    @property
    def _loose(self) -> int | None:
        return None if self._bolt is None or self._bolt.tight else self._bolt.foot

    def _begin(self) -> None:
        self._watch, self._rest, self._bolt = Watch(self._model), None, None
        before = {(f.plane, f.side): f.rise_mm for f in self._told.feet}
        feet = tuple(
            SoftFootState(plane, side, before_mm=before.get((plane, side)))
            for plane in self._planes
            for side in _SIDES
        )
        self._told = replace(self._told, state="watching", round=self._told.round + 1, feet=feet)

    def _anew(self, now_s: float) -> None:
        self._rest = None
        if self._watch is not None:
            self._watch.begin_anew(now_s)

    def _look(self, rest: Rest) -> None:
        """See what a new rest says about the bolt that was loosened last."""
        if self._bolt is None:
            return
        moved = shift(self._model, self._bolt.before, rest, ALLOWANCE)
        if moved is None:
            return
        plane, foot = self._bolt.foot // len(_SIDES), self._told.feet[self._bolt.foot]
        if self._bolt.tight:
            up, u = moved.at(float(self._model.feet_x_m[plane]), vertical=True)
            known = 1e3 * u < advice.LIMIT_MM
            self._change(self._bolt.foot, left_mm=round(1e3 * up, 6) if known else None)
            return
        rise = foot_rise(self._model, moved, plane)
        # A figure less sure than the limit says nothing. The largest rise counts: a person may press late, or early.
        if rise is None or 1e3 * rise.own_u_m > advice.LIMIT_MM:
            return
        if foot.rise_mm is None or abs(1e3 * rise.gap_m) >= abs(foot.rise_mm):
            self._change(
                self._bolt.foot, rise_mm=round(1e3 * rise.gap_m, 6), rise_u_mm=round(1e3 * rise.u_m, 6)
            )
            self._told = replace(self._told, feet=advice.judged(self._told.feet, self._units))

    def _change(self, index: int | None, **more: object) -> None:
        feet = tuple(
            replace(f, **more) if i == index else f  # type: ignore[arg-type]
            for i, f in enumerate(self._told.feet)
        )
        self._told = replace(self._told, feet=feet)

    def _index(self, command: Command) -> int | None:
        if command.foot not in self._planes or command.side is None:
            return None
        return self._planes.index(command.foot) * len(_SIDES) + _SIDES.index(command.side)

    def _words(self, at_rest: bool) -> str:
        if self._watch is None:
            return ""
        feet = self._told.feet
        if self._loose is not None:
            loose = feet[self._loose]
            name = advice.foot_name(loose.plane, loose.side)
            if loose.rise_mm is None:
                return f"{name}: loosen its bolt, all others stay tight; wait for the readings to rest"
            return f"{name}: measure its corners with a feeler gauge, then tighten it"
        if not at_rest:
            return "wait until the readings are at rest"
        if self._bolt is None and (poor := self._parked_badly()):
            return poor
        left = [advice.foot_name(f.plane, f.side) for f in feet if f.bolt == "not loosened"]
        return f"next: {left[0]}" if left else "all feet are done: end this round, shim, and look once more"

    def _parked_badly(self) -> str:
        angle = None if self._rest is None else self._rest.angle_rad
        if angle is None:
            return ""
        share, best = parking(self._model, angle, vertical=True)
        return (
            ""
            if share >= _POOR
            else f"park the shafts nearer {_deg(best)} deg: up and down is seen better there"
        )


def _deg(rad: float) -> int:
    return round(rad * 57.29577951308232) % 360
