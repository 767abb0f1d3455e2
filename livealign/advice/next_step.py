"""What to do next, in words."""

from livealign.snapshot import (
    ChannelState,
    Foot,
    LinkStatus,
    MachineState,
    Phase,
    Plane,
    RotationState,
    Verdict,
)

__all__ = ["advise", "creeping", "turn_further", "where_to_turn"]

_MIL_M = 25.4e-6


def turn_further(arc_deg: float) -> str:
    """Say that a rotation is not enough yet."""
    return f"{arc_deg:.0f} deg covered: turn further, the more the better"


def where_to_turn(angle_deg: float, now_m: float, after_m: float, units: str) -> str:
    """Say what the worst foot's uncertainty is, and where turning next would shrink it most (95 %: twice u)."""
    size, unit = (_MIL_M, "mil") if units == "inch" else (1e-3, "mm")
    now, after = 2.0 * now_m / size, 2.0 * after_m / size
    if after > 0.9 * now:
        return f"worst foot known to +- {now:.2g} {unit}; more turning would hardly better it"
    return f"more near {angle_deg:.0f} deg: worst foot +- {now:.2g} -> {after:.2g} {unit}"


def creeping(rate_m_s: float, units: str) -> str:
    """Say that the machine does not come to rest, and what may be the matter."""
    size, unit = (_MIL_M, "mil") if units == "inch" else (1e-3, "mm")
    pace = f"{60.0 * abs(rate_m_s) / size:.1g} {unit} a minute"
    return f"Still creeping, about {pace}: wait, or look for a foot, bolt or head that gives way or warms up."


def advise(
    *,
    phase: Phase,
    plane: Plane,
    hold: bool,
    verdict: Verdict,
    feet: tuple[Foot, ...],
    machine: MachineState,
    rotation: RotationState,
    links: tuple[LinkStatus, ...],
    channels: tuple[ChannelState, ...],
    parked_badly: bool,
    moved_unseen: bool,
    creep: str = "",
    first: str = "",
) -> tuple[str, ...]:
    """Return what to do next, most important first."""
    lines = [
        f"Link {s.name}: {s.detail or s.state}" for s in links if s.state in {"lost", "refused", "silent"}
    ]
    lines += [
        f"{c.name[:1].upper()}{c.name[1:]} is {flag}: {c.value:.3g} {c.unit}".rstrip() + "."
        for c in channels
        for flag in c.flags
        if c.kind == "auxiliary" and flag in {"low", "high"} and c.value is not None
    ]
    if moved_unseen:
        lines.append("Something moved that was taken to stand still: verify by a new rotation.")
    if hold:
        lines.append("Readings are held: release the hold to go on.")
    if phase == "ready":
        lines += [first] if first else []
        lines.append("Begin a rotation, then turn both shafts slowly one way, as far as you can.")
    elif phase == "rotation":
        lines += rotation.missing or [_rotating(rotation, verdict)]
    elif phase == "findings":
        lines += [_found(verdict, feet, rotation), *rotation.missing]
    else:
        lines.append(_adjusting(plane, verdict, feet, machine, parked_badly=parked_badly, creep=creep))
    return tuple(lines)


def _rotating(rotation: RotationState, verdict: Verdict) -> str:
    if not rotation.observable:
        return rotation.advice.capitalize() + "." if rotation.advice else "Turn both shafts slowly one way."
    if rotation.enough:
        return f"Enough for a verdict ({verdict.state}). For the feet: {rotation.advice}."
    return f"Turn on: {rotation.advice}."


def _found(verdict: Verdict, feet: tuple[Foot, ...], rotation: RotationState) -> str:
    if not rotation.observable:
        return "The pose is not observable from this rotation; a new one can be begun."
    if verdict.state == "conforming":
        return "Inside tolerance: record it as left, or adjust further."
    if verdict.state == "not known" or not feet:
        return "Turn again to know more."
    return "Adjust up and down first, then sideways, and tighten before each reading."


def _adjusting(
    plane: Plane,
    verdict: Verdict,
    feet: tuple[Foot, ...],
    machine: MachineState,
    *,
    parked_badly: bool,
    creep: str,
) -> str:
    if machine == "turning":
        return "Stop at a good parking angle before moving the machine."
    if parked_badly:
        return "Park the shafts where this plane shows better."
    if machine in {"moving", "settling"}:
        return creep or "Wait until the values have settled."
    if verdict.state == "conforming":
        return "Inside tolerance: tighten, wait for settled, and verify by a new rotation."
    vertical = plane == "vertical"
    moves = [(f.name, f.vertical_words if vertical else f.horizontal_words) for f in feet]
    todo = [(name, move) for name, move in moves if move not in {"leave as it is", "not known"}]
    if not todo:
        other = "sideways" if vertical else "up and down"
        return f"Nothing left to do in this plane: go on {other}, or verify by a new rotation."
    return "; ".join(f"{name}: {move}" for name, move in todo) + ". Tighten, then wait for settled."
