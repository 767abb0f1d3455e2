"""What the simulated mechanic can be told to do, and what can be broken, as JSON lines or as a script."""

from dataclasses import asdict, replace
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, model_validator

from livealign.errors import PersonError
from livealign_simulators.disturbances import CablePull
from livealign_simulators.frame import Side
from livealign_simulators.mechanic import Mechanic
from livealign_simulators.radio import RadioFaults
from livealign_simulators.thermal import Warming
from livealign_simulators.vibration import Vibration
from livealign_simulators.workbench import Workbench

__all__ = ["Action", "AnyAction", "Turn", "Wait", "perform", "read_action", "script"]

Finite = Annotated[float, Field(allow_inf_nan=False)]
Millimetres = Annotated[float, Field(ge=-20, le=20, allow_inf_nan=False)]

_MOST_WARMINGS = 100
_LONGEST_QUEUE_S = 30.0
"""Less than the mechanic remembers of his turns."""


class _Action(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Turn(_Action):
    """Both shafts, to an angle or by one, clockwise if that is more than 0."""

    do: Literal["turn"] = "turn"
    to_deg: Finite | None = None
    by_deg: Annotated[float, Field(ge=-3600, le=3600, allow_inf_nan=False)] | None = None
    """From where they are, or will be after the turn that is going on."""
    deg_per_s: Annotated[float, Field(gt=0, le=720, allow_inf_nan=False)] = 30.0
    wait: bool = True
    """False: answer when it begins, so that something else can happen meanwhile."""
    after: bool = False
    """Begin when the shafts have come to rest, not at once."""

    @model_validator(mode="after")
    def _has_one_goal(self) -> Self:
        if (self.to_deg is None) == (self.by_deg is None):
            raise ValueError("either to_deg or by_deg says how far")
        return self

    def goal_deg(self, from_deg: float) -> float:
        """Return where a turn from an angle ends."""
        return from_deg + (self.by_deg or 0.0) if self.to_deg is None else self.to_deg


class _Stop(_Action):
    """Let go of the shafts."""

    do: Literal["stop"]


class Wait(_Action):
    """For so long."""

    do: Literal["wait"] = "wait"
    s: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)]


class _Foot(_Action):
    do: Literal["shim", "shift", "jack"]
    foot: str
    mm: Annotated[float, Field(ge=-20, le=20, allow_inf_nan=False)]
    side: Side | None = None
    """Shim: under one foot only."""
    wait: bool = True
    """The same as of a turn."""


class _Bolt(_Action):
    do: Literal["loosen", "tighten"]
    foot: str
    side: Side | None = None
    wait: bool = True


class _Feet(_Action):
    do: Literal["feet"]


class _Knock(_Action):
    do: Literal["knock"]
    head: str
    outward_mm: Millimetres = 0.0
    clockwise_mm: Millimetres = 0.0
    deg: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)] = 0.0


class _Loose(_Action):
    do: Literal["loose"]
    head: str
    mm: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)]


class _Cable(_Action):
    do: Literal["cable"]
    head: str
    from_deg: Finite = 0.0
    to_deg: Finite = 90.0
    outward_mm: Millimetres = 0.0
    clockwise_mm: Millimetres = 0.0

    @model_validator(mode="after")
    def _is_an_arc(self) -> Self:
        if not 0 < self.to_deg - self.from_deg <= 360:
            raise ValueError("to_deg must be more than from_deg, by 360 at the most")
        return self


class _Light(_Action):
    do: Literal["light"]
    head: str
    brightness: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] | None = None
    background: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] | None = None


class _Show(_Action):
    do: Literal["show"]
    head: str
    name: str
    """Of an auxiliary number, such as a battery."""
    value: Finite
    """As a person reads it."""


class _Warm(_Action):
    do: Literal["warm"]
    foot: str
    by_k: Annotated[float, Field(ge=-200, le=200, allow_inf_nan=False)]
    height_mm: Annotated[float, Field(gt=0, le=5000, allow_inf_nan=False)] = 250.0
    time_constant_s: Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)] = 600.0


class _Vibrate(_Action):
    do: Literal["vibrate"]
    hz: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] = 24.7
    y_mm: Millimetres = 0.0
    z_mm: Millimetres = 0.0


class _Restart(_Action):
    do: Literal["restart"]
    link: str


class _Radio(_Action):
    do: Literal["radio"]
    link: str
    delay_s: Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)] = 0.0
    jitter_s: Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)] = 0.0
    loss: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.0
    run: Annotated[float, Field(ge=1, le=10000, allow_inf_nan=False)] = 1.0
    duplicates: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.0
    overtaking: bool = False
    disconnected: bool = False


class _Truth(_Action):
    do: Literal["truth"]


class _Plug(_Action):
    do: Literal["unplug", "replug"]
    link: str


class _Corrupt(_Action):
    do: Literal["corrupt"]
    link: str
    fraction: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class _Dim(_Action):
    do: Literal["dim"]
    link: str
    on: bool = True


AnyAction = (
    Turn
    | _Stop
    | Wait
    | _Foot
    | _Bolt
    | _Feet
    | _Truth
    | _Knock
    | _Loose
    | _Cable
    | _Light
    | _Warm
    | _Vibrate
    | _Plug
    | _Corrupt
    | _Dim
    | _Restart
    | _Radio
    | _Show
)

Action = Annotated[AnyAction, Field(discriminator="do")]

_reader: TypeAdapter[Action] = TypeAdapter(Action)


def read_action(line: bytes | str) -> Action:
    """Return the action that a JSON line asks for.

    Raises:
        PersonError: if the line asks for nothing that is known.
    """
    try:
        return _reader.validate_json(line)
    except ValidationError as e:
        first = e.errors(include_url=False)[0]
        place = ".".join(str(p) for p in first["loc"])
        raise PersonError(
            f"{place}: {first['msg']}" if place else first["msg"],
            where="action",
            advice='One JSON object a line, such as {"do": "turn", "to_deg": 270, "deg_per_s": 30}.',
        ) from None


async def perform(bench: Workbench, action: Action) -> dict[str, Any]:
    """Do what is asked, wait until it is done (unless told not to), and return the answer.

    Raises:
        PersonError: if there is no such foot plane or link.
    """
    mechanic = bench.scene.mechanic
    match action:
        case Turn() | _Stop():
            return await _use_hands(bench, action)
        case Wait():
            await bench.wait_until(bench.now() + action.s)
            return {"done": "wait"}
        case _Foot() | _Bolt():
            done_s = _use_tools(mechanic, action, bench)
            await bench.wait_until(done_s if action.wait else bench.now())
            return {"done": action.do, "foot": action.foot} | (
                {"mm": action.mm} if isinstance(action, _Foot) else {}
            )
        case _Truth():
            pose, feet = bench.scene.tell(bench.now())
            return {"pose": asdict(pose), "feet": [asdict(f) for f in feet]}
        case _Feet():
            return {"feet": [asdict(f) for f in mechanic.machine.found()]}
        case _Knock() | _Loose() | _Cable() | _Light() | _Show():
            _disturb(bench, action)
            return {"done": action.do, "head": action.head}
        case _Warm() | _Vibrate():
            _change_machine(bench, action)
            return {"done": action.do}
        case _:
            return await _trouble(bench, action)


async def _use_hands(bench: Workbench, action: Turn | _Stop) -> dict[str, Any]:
    """Turn the shafts, or let go of them."""
    mechanic, now = bench.scene.mechanic, bench.now()
    if isinstance(action, Turn):
        start_s = max(now, mechanic.turned_by_s) if action.after else now
        if start_s - now > _LONGEST_QUEUE_S:
            raise PersonError(
                f"the shafts are still being turned for {start_s - now:.0f} s", advice="Wait, or stop them."
            )
        done_s = mechanic.turn(action.goal_deg(mechanic.goal_deg), action.deg_per_s, start_s)
        await bench.wait_until(done_s if action.wait else now)
    else:
        await bench.wait_until(mechanic.stop(now))
    return {"done": action.do, "angle_deg": mechanic.goal_deg}


async def _trouble(bench: Workbench, action: _Plug | _Corrupt | _Dim | _Restart | _Radio) -> dict[str, Any]:
    """Do something to a link or its device."""
    match action:
        case _Plug():
            port = bench.port(action.link)
            await (port.plug() if action.do == "replug" else port.unplug())
        case _Corrupt():
            bench.device(action.link).faults.corrupt_fraction = action.fraction
        case _Dim():
            bench.device(action.link).faults.dim = action.on
        case _Restart():
            bench.device(action.link).restart(bench.now())
        case _Radio():
            faults = RadioFaults(**action.model_dump(exclude={"do", "link"}))
            bench.device(action.link).radio.faults = faults
    return {"done": action.do, "link": action.link}


def _disturb(bench: Workbench, action: _Knock | _Loose | _Cable | _Light | _Show) -> None:
    """Do something to a head, from now on."""
    heads, now = bench.scene.heads, bench.now()
    name = heads.known(action.head)
    if isinstance(action, _Show):
        heads.shows(name, action.name).change(action.value, now)
        return
    if isinstance(action, _Light):
        given = action.model_dump(include={"brightness", "background"}, exclude_none=True)
        heads.optics[name].change(replace(heads.optics[name].last, **given), now)
        return
    before = heads.faults[name].last
    match action:
        case _Knock():
            after = replace(
                before,
                outward_mm=before.outward_mm + action.outward_mm,
                clockwise_mm=before.clockwise_mm + action.clockwise_mm,
                turned_deg=before.turned_deg + action.deg,
            )
        case _Loose():
            after = replace(before, loose_mm=action.mm)
        case _Cable():
            pull = CablePull(action.from_deg, action.to_deg, action.outward_mm, action.clockwise_mm)
            after = replace(before, cable=pull if action.outward_mm or action.clockwise_mm else None)
    heads.faults[name].change(after, now)


def _change_machine(bench: Workbench, action: _Warm | _Vibrate) -> None:
    machine = bench.scene.mechanic.machine
    if isinstance(action, _Vibrate):
        machine.vibrations[:] = [Vibration(action.hz, action.y_mm, action.z_mm)]
        return
    try:
        x_mm = machine.feet[machine.foot_index(action.foot)].x_mm
    except KeyError:
        raise _no_such_foot(bench, action.foot) from None
    if len(machine.warmings) >= _MOST_WARMINGS:
        raise PersonError(f"no more than {_MOST_WARMINGS} warmings can be told in one run")
    machine.warmings.append(
        Warming(x_mm, action.height_mm, 0.0, action.by_k, action.time_constant_s, start_s=bench.now())
    )


def script(bench: Workbench) -> list[Action]:
    """Return what is played without control: a sweep, both planes brought most of the way home, a sweep back.

    The moves are the true ones, cut to 0.05 mm: the mechanic of this script needs no instrument.
    """
    _, feet = bench.scene.tell(0.0)
    shims = [(_Foot(do="shim", foot=f.name, mm=_cut(f.vertical_mm))) for f in feet]
    shifts = [(_Foot(do="shift", foot=f.name, mm=_cut(f.horizontal_mm))) for f in feet]
    pause = Wait(s=6)
    actions: list[Action] = [Wait(s=3), Turn(to_deg=360), pause]
    for step in shims:
        actions += [step, pause]
    actions += [Turn(to_deg=450), pause]
    for step in shifts:
        actions += [step, pause]
    return [*actions, Turn(to_deg=180), pause]


def _cut(mm: float | None) -> float:
    return round((mm or 0.0) / 0.05) * 0.05


def _use_tools(mechanic: Mechanic, action: _Foot | _Bolt, bench: Workbench) -> float:
    now = bench.now()
    try:
        match action.do:
            case "shim":
                return mechanic.shim(action.foot, action.mm, now, action.side)
            case "shift":
                return mechanic.shift(action.foot, action.mm, now)
            case "jack":
                return mechanic.jack(action.foot, action.mm, now)
            case "loosen" | "tighten":
                return mechanic.bolt(action.foot, now, action.side, tight=action.do == "tighten")
    except KeyError:
        raise _no_such_foot(bench, action.foot) from None


def _no_such_foot(bench: Workbench, foot: str) -> PersonError:
    known = ", ".join(f.name for f in bench.scene.truth.feet)
    return PersonError(f"no foot plane is called {foot!r}", advice=f"Foot planes: {known}.")
