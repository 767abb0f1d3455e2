"""``livealign check --live``: the rig itself, read for some seconds."""

import asyncio
import shutil
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import click

from livealign.errors import PersonError
from livealign.units import shown

if TYPE_CHECKING:
    from livealign.config.rig import Rig
    from livealign.service.live_rig import Progress
    from livealign.session.live.figures import ChannelFigures, LinkFigures, RestFigures, Scatter
    from livealign.session.live.finding import Finding
    from livealign.session.live.turn import TurnFigures

__all__ = ["LiveCheck", "check_live", "live_lines", "live_values"]

_OPENING_S = 20.0
"""A radio is searched for that long; a wire that is missing is told at once."""
_PASSING_S = 0.5
"""What was under way when a link was opened, such as half a line, is let pass."""
_LONGEST_TURN_S = 60.0
_TURN_DEG = 15.0
_TURN_OVER_S = 2.0
_MOVES_DEG = 1.0
_DIGITS = {"angle": 2, "position": 4}


@dataclass(frozen=True, slots=True)
class LiveCheck:
    """What came of it."""

    rest: "RestFigures"
    turn: "TurnFigures | None"
    findings: "tuple[Finding, ...]"

    @property
    def sound(self) -> bool:
        """Is nothing wrong?"""
        return not any(f.wrong for f in self.findings)


def check_live(rig: "Rig", seconds: float, *, turn: bool | None) -> LiveCheck:
    """Read the rig and judge it.

    Args:
        rig: what is read.
        seconds: how long.
        turn: whether to read a turn as well for as long, without asking; None asks if there is somebody to ask.

    Raises:
        PersonError: if a driver or format is not installed, or it was stopped.
    """
    asked = turn is None and sys.stdin.isatty() and sys.stderr.isatty()
    try:
        return asyncio.run(_check(rig, seconds, turn=bool(turn), asked=asked))
    except KeyboardInterrupt:
        _clear()
        raise PersonError("stopped; nothing was judged", exit_code=130) from None


async def _check(rig: "Rig", seconds: float, *, turn: bool, asked: bool) -> LiveCheck:
    from livealign.service.live_rig import LiveRig
    from livealign.session.live.figures import at_rest
    from livealign.session.live.finding import CLOCKWISE
    from livealign.session.live.judge import findings
    from livealign.session.live.turn import turned

    has_angles = any(head.angle for head in rig.heads)
    async with LiveRig(rig, say=_say) as live:
        _say("Opening the links ...")
        await live.opened(_OPENING_S, _show)
        await asyncio.sleep(_PASSING_S)
        _say(f"Reading for {seconds:g} s. Keep off the shafts.")
        rest = at_rest(rig, await live.gather(seconds, progress=_show))
        figures = None
        if has_angles and asked and any(c.kind == "angle" and c.readings for c in rest.channels):
            _say(f"Now turn both shafts slowly by 30 deg or more, {CLOCKWISE}. Then leave them.")
            turning = _Turning()
            gathered = await live.gather(_LONGEST_TURN_S, progress=turning, stop=turning.over)
            figures = turned(rig, gathered)
        elif has_angles and turn:
            _say(f"Reading a turn for {seconds:g} s: {CLOCKWISE}.")
            figures = turned(rig, await live.gather(seconds, progress=_show))
        _clear()
    return LiveCheck(rest, figures, findings(rig, rest, figures))


class _Turning:
    """Follows the angles while the person turns; over when they have been turned far enough and rest."""

    def __init__(self) -> None:
        self._angles: dict[str, float] = {}
        self._moved: dict[str, float] = {}
        self._marks: dict[str, float] = {}
        self._last_s = 0.0
        self._now_s = 0.0

    def __call__(self, progress: "Progress") -> None:
        self._now_s = progress.elapsed_s
        for channel in progress.channels:
            if channel.kind != "angle" or channel.value is None:
                continue
            name, angle = channel.name, channel.value
            step = (angle - self._angles.get(name, angle) + 180.0) % 360.0 - 180.0
            self._angles[name] = angle
            moved = self._moved[name] = self._moved.get(name, 0.0) + step
            if abs(moved - self._marks.setdefault(name, 0.0)) > _MOVES_DEG:
                self._marks[name], self._last_s = moved, self._now_s
        _show(progress)

    def over(self) -> bool:
        turned = max((abs(m) for m in self._moved.values()), default=0.0)
        return turned >= _TURN_DEG and self._now_s - self._last_s >= _TURN_OVER_S


def _say(words: str) -> None:
    _clear()
    click.echo(words, err=True)


def _show(progress: "Progress") -> None:
    if not sys.stderr.isatty():
        return
    parts = [f"{progress.elapsed_s:3.0f} s"]
    for link in progress.links:
        rate = "" if link.rate_hz is None else f" {link.rate_hz:.0f}/s"
        parts.append(f"{link.name} {link.state}{rate}")
    parts += [
        f"{channel.name} {channel.value:.3f} {channel.unit}"
        for channel in progress.channels
        if channel.kind != "auxiliary" and channel.value is not None
    ]
    width = shutil.get_terminal_size().columns
    click.echo("\r\x1b[K" + "   ".join(parts)[: width - 1], nl=False, err=True)


def _clear() -> None:
    if sys.stderr.isatty():
        click.echo("\r\x1b[K", nl=False, err=True)


def live_values(check: LiveCheck) -> dict[str, Any]:
    """Return everything as plain values, for JSON."""
    turn = None
    if check.turn is not None:
        turn = asdict(check.turn)
        for plain, head in zip(turn["heads"], check.turn.heads, strict=True):
            plain["counts"] = head.counts
        for plain, position in zip(turn["positions"], check.turn.positions, strict=True):
            plain["follows"] = position.follows
    values = {
        "sound": check.sound,
        **asdict(check.rest),
        "turn": turn,
        "findings": [asdict(f) for f in check.findings],
    }
    rounded: dict[str, Any] = _rounded(values)
    return rounded


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return [_rounded(v) for v in value] if isinstance(value, (list, tuple)) else value


def live_lines(check: LiveCheck) -> Iterator[str]:
    """Yield what was found, a line at a time; a line that starts without a blank is a heading."""
    rest = check.rest
    yield f"Links, read for {rest.seconds:.1f} s"
    for link in rest.links:
        yield from _link_lines(link)
    yield "Channels"
    widest = max((len(c.name) for c in rest.channels), default=0)
    for channel in rest.channels:
        yield from _channel_lines(channel, widest)
    for pair in rest.apart:
        yield f"  {pair.other} less {pair.one}: {shown(pair.apart_deg, 2, signed=True)} deg"
    if check.turn is not None:
        yield "Turn"
        yield from _turn_lines(check.turn)


def _link_lines(f: "LinkFigures") -> Iterator[str]:
    rate = "no rate" if f.rate_hz is None else f"{f.rate_hz:.1f} records a second"
    yield f"  {f.name}  {f.driver}, {f.state}: {f.records} records, {rate}"
    jitter = _scatter("arrival jitter", f.arrival_ms) + _scatter("clock jitter", f.clock_ms)
    if jitter:
        yield f"     {'; '.join(jitter)} ms"
    longest = "" if f.longest_gap_s is None else f" (longest {f.longest_gap_s:.2f} s)"
    yield (
        f"     gaps {f.gaps}{longest}, lost {f.lost}, duplicates {f.duplicates}, bad {f.bad}, "
        f"reconnects {f.reconnects}, restarts {f.restarts}"
    )
    if f.bad and f.last_bad:
        yield f"     last bad: {f.last_bad}"


def _scatter(what: str, scatter: "Scatter | None") -> list[str]:
    if scatter is None:
        return []
    return [f"{what} {scatter.median:.1f} (99 %: {scatter.p99:.1f})"]


def _channel_lines(c: "ChannelFigures", widest: int) -> Iterator[str]:
    from livealign.session.live.words import number, with_unit

    if c.value is None:
        yield f"  {c.name:<{widest}}  no usable reading in {c.readings}"
    else:
        known = c.kind in _DIGITS
        parts = [f"{c.value:.{_DIGITS[c.kind]}f} {c.unit}" if known else with_unit(c.value, c.unit)]
        if c.noise is not None:
            declared = "" if c.declared_noise is None else f" ({c.declared_noise:g} declared)"
            parts.append(f"noise {number(c.noise)}{declared}")
        if c.drift is not None:
            parts.append(f"drift {shown(c.drift, _DIGITS[c.kind], signed=True)}")
        yield f"  {c.name:<{widest}}  {', '.join(parts)}"
    for more in _more(c):
        yield f"  {'':<{widest}}  {more}"


def _more(c: "ChannelFigures") -> Iterator[str]:
    from livealign.session.live.words import number, share

    more = []
    if c.least is not None and c.greatest is not None and c.range is not None:
        more.append(f"used {c.least:.3f} to {c.greatest:.3f} of {c.range[0]:g} to {c.range[1]:g} {c.unit}")
    if c.light is not None:
        more.append(f"light {number(c.light)}, dim {share(c.dim)}")
    if c.kind == "position":
        more.append(f"clipped {share(c.clipped)}")
    if c.step is not None:
        more.append(f"steps of {number(c.step)} {c.unit}")
    if c.constant and c.kind != "auxiliary":
        more.append("never changed")
    for some in (more[:2], more[2:]):
        if some:
            yield ", ".join(some)
    if c.floor is not None and c.floor_s is not None:
        yield f"averaging helps up to {number(c.floor_s)} s, to {number(c.floor)} {c.unit}"


def _turn_lines(turn: "TurnFigures") -> Iterator[str]:
    from livealign.session.live.words import number

    for head in turn.heads:
        counts = "not known" if head.counts is None else head.counts
        turned = shown(head.turned_deg, 1, signed=True)
        yield f"  {head.head}: {turned} deg; it counts {counts}, the rig file says {head.sense}"
    for pair in turn.pairs:
        if pair.ratio is not None:
            yield f"  {pair.other}: {number(pair.ratio)} deg for every degree of {pair.one}"
    for p in turn.positions:
        follows = {None: "too little to tell", True: "with the angle", False: "not with the angle"}[p.follows]
        yield f"  {p.name}: moved by {p.change_mm:.3f} mm over {p.arc_deg:.0f} deg, {follows}"
