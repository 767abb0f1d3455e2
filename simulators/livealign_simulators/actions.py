"""What the simulated mechanic can be told to do, and what can be broken, as JSON lines or as a script."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from livealign.errors import PersonError
from livealign_simulators.bench import Bench

__all__ = ["Action", "perform", "read_action", "script"]

Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Action(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Turn(_Action):
    do: Literal["turn"] = "turn"
    to_deg: Finite
    deg_per_s: Annotated[float, Field(gt=0, le=720, allow_inf_nan=False)] = 30.0
    wait: bool = True
    """False: answer when it begins, so that something else can happen meanwhile."""


class _Wait(_Action):
    do: Literal["wait"] = "wait"
    s: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)]


class _Foot(_Action):
    do: Literal["shim", "shift"]
    foot: str
    mm: Annotated[float, Field(ge=-20, le=20, allow_inf_nan=False)]
    wait: bool = True
    """The same as of a turn."""


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


Action = Annotated[_Turn | _Wait | _Foot | _Truth | _Plug | _Corrupt | _Dim, Field(discriminator="do")]

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


async def perform(bench: Bench, action: Action) -> dict[str, Any]:
    """Do what is asked, wait until it is done (unless told not to), and return the answer.

    Raises:
        PersonError: if there is no such foot plane or link.
    """
    mechanic = bench.scene.mechanic
    match action:
        case _Turn():
            done_s = mechanic.turn(action.to_deg, action.deg_per_s, bench.now())
            await bench.wait_until(done_s if action.wait else bench.now())
            return {"done": "turn", "angle_deg": mechanic.goal_deg}
        case _Wait():
            await bench.wait_until(bench.now() + action.s)
            return {"done": "wait"}
        case _Foot():
            done_s = _use_tools(mechanic.shim if action.do == "shim" else mechanic.shift, action, bench)
            await bench.wait_until(done_s if action.wait else bench.now())
            return {"done": action.do, "foot": action.foot, "mm": action.mm}
        case _Truth():
            pose, feet = bench.scene.tell(bench.now())
            return {"pose": asdict(pose), "feet": [asdict(f) for f in feet]}
        case _Plug():
            port = bench.port(action.link)
            await (port.plug() if action.do == "replug" else port.unplug())
        case _Corrupt():
            bench.device(action.link).faults.corrupt_fraction = action.fraction
        case _Dim():
            bench.device(action.link).faults.dim = action.on
    return {"done": action.do, "link": action.link}


def script(bench: Bench) -> list[Action]:
    """Return what is played without control: a sweep, both planes brought most of the way home, a sweep back.

    The moves are the true ones, cut to 0.05 mm: the mechanic of this script needs no instrument.
    """
    _, feet = bench.scene.tell(0.0)
    shims = [(_Foot(do="shim", foot=f.name, mm=_cut(f.vertical_mm))) for f in feet]
    shifts = [(_Foot(do="shift", foot=f.name, mm=_cut(f.horizontal_mm))) for f in feet]
    pause = _Wait(s=6)
    actions: list[Action] = [_Wait(s=3), _Turn(to_deg=360), pause]
    for step in shims:
        actions += [step, pause]
    actions += [_Turn(to_deg=450), pause]
    for step in shifts:
        actions += [step, pause]
    return [*actions, _Turn(to_deg=180), pause]


def _cut(mm: float | None) -> float:
    return round((mm or 0.0) / 0.05) * 0.05


def _use_tools(tool: Callable[[str, float, float], float], action: _Foot, bench: Bench) -> float:
    try:
        return tool(action.foot, action.mm, bench.now())
    except KeyError:
        known = ", ".join(f.name for f in bench.scene.truth.feet)
        raise PersonError(
            f"no foot plane is called {action.foot!r}", advice=f"Foot planes: {known}."
        ) from None
