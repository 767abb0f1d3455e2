"""What a turn tells about heads, in words."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from livealign.config.rig import AngleSensor, Rig
from livealign.session.live.figures import HeadsApart, wired
from livealign.session.live.finding import CLOCKWISE, Finding, mind
from livealign.session.live.turn import ENOUGH_DEG, FAR_ENOUGH_DEG, HeadTurned, TurnFigures
from livealign.session.live.words import joined, number

__all__ = ["apart_findings", "turn_findings"]

_APART_DEG = 1.5
_RATIO_OFF = 0.25
_UNIT_OFF = 0.1
_AGAIN = f"Turn again, {CLOCKWISE}; if it says so again,"


def turn_findings(rig: Rig, turn: TurnFigures, stuck: frozenset[str]) -> Iterator[Finding]:
    """Yield what a turn shows; channels that are known to be stuck are not told again."""
    if turn.arc_deg < ENOUGH_DEG:
        what = "the shafts were hardly turned, so it is not known which way the heads count"
        yield mind("not turned", "", what, f"Turn them by 30 deg or so, {CLOCKWISE}.")
        return
    units = list(_units(rig, turn))
    yield from units
    odd = stuck | {f.about for f in units}
    heads = [h for h in turn.heads if h.name not in odd]
    moved = [h for h in heads if h.arc_deg >= ENOUGH_DEG]
    yield from _senses(moved)
    if turn.arc_deg >= 2 * ENOUGH_DEG:
        yield from (_still(h, turn.arc_deg) for h in heads if h not in moved)
    yield from _ratios(turn, {h.name: h.head for h in moved})
    yield from _positions(turn, stuck)


def _units(rig: Rig, turn: TurnFigures) -> Iterator[Finding]:
    """Yield heads whose angles are in degrees though the file says radians, or the other way round."""
    places = {w.name: w for w in wired(rig)}
    for pair in turn.pairs:
        if not pair.ratio:
            continue
        for name, ratio in ((pair.other, abs(pair.ratio)), (pair.one, 1.0 / abs(pair.ratio))):
            spec, head = places[name].spec, places[name].head.name
            if not isinstance(spec, AngleSensor):
                continue
            true, expected = ("rad", np.pi / 180.0) if spec.unit == "deg" else ("deg", 180.0 / np.pi)
            if abs(ratio / expected - 1.0) < _UNIT_OFF:
                what = f"{head} counts {number(ratio)} deg for every degree of the other head: its angle is in {true}"
                yield Finding("unit", name, what, f'Write unit = "{true}" in [heads.angle] of {head}.')
                break


def _senses(moved: Sequence[HeadTurned]) -> Iterator[Finding]:
    for head in moved:
        if head.counts is None:
            what = f"{head.head} was swung to and fro, so it is not known which way it counts"
            yield mind("not turned", head.name, what, f"Turn one way only, {CLOCKWISE}.")
    told = [h for h in moved if h.counts is not None]
    other = [h for h in told if h.counts != h.sense]
    if len(other) < len(told):
        for head in other:
            yield Finding("sense", head.name, f"{head.head} counts the other way", f"{_write([head])}.")
    elif other:
        yield _all_other(other)


def _all_other(other: Sequence[HeadTurned]) -> Finding:
    """Return what to say when no head counts as declared: the person may have turned the other way."""
    who = joined(h.head for h in other)
    what = f"{who} {'counts' if len(other) == 1 else 'all count'} the other way"
    if len({h.sense for h in other}) > 1:
        # Facing each other, heads count opposite ways: exchanged, each counts as the other should.
        what += ": the heads are swapped, or the turn was counterclockwise"
        return Finding("swapped", who, what, f"{_AGAIN} exchange the links of the two heads in the rig file.")
    words = _write(other)
    return Finding(
        "sense", who, f"{what}, or the turn was counterclockwise", f"{_AGAIN} {words[:1].lower()}{words[1:]}."
    )


def _write(heads: Sequence[HeadTurned]) -> str:
    return f'Write sense = "{heads[0].counts}" in [heads.angle] of {joined(h.head for h in heads)}'


def _still(head: HeadTurned, arc_deg: float) -> Finding:
    what = f"{head.head} shows {head.arc_deg:.1f} deg of a turn by {arc_deg:.0f} deg"
    advice = "Is it clamped to its shaft, are the shafts coupled, and is its angle in the field that the rig file names?"
    return Finding("does not turn", head.name, what, advice)


def _ratios(turn: TurnFigures, heads: dict[str, str]) -> Iterator[Finding]:
    for pair in turn.pairs:
        if pair.one not in heads or pair.other not in heads or pair.ratio is None:
            continue
        if abs(abs(pair.ratio) - 1.0) > _RATIO_OFF:
            one, other = heads[pair.one], heads[pair.other]
            what = f"{other} counts {number(abs(pair.ratio))} deg for every degree of {one}"
            yield Finding("unit", pair.other, what, "Are the shafts coupled? Check the units of both angles.")


def _positions(turn: TurnFigures, stuck: frozenset[str]) -> Iterator[Finding]:
    for p in turn.positions:
        if p.arc_deg < FAR_ENOUGH_DEG or p.name in stuck:
            continue
        if p.constant:
            what = (
                f"{p.name} has not changed at all over a turn by {p.arc_deg:.0f} deg: "
                "it is stuck, unless the shafts are in line within its steps"
            )
            yield Finding("stuck", p.name, what, "Restart the head; check its sensor, and the field.")
        elif p.follows is False:
            what = f"{p.name} moves by {number(p.change_mm)} mm, but not with the angle"
            advice = (
                "Tighten its bracket; turn slowly, one way; are angle and position taken at the same time?"
            )
            yield Finding("does not follow", p.name, what, advice)


def apart_findings(pairs: Iterable[HeadsApart], *, turned: bool) -> Iterator[Finding]:
    """Yield heads whose angles differ; `turned`: whether it is known which way they count."""
    for pair in pairs:
        limit = max(_APART_DEG, 4.0 * pair.u_deg)
        if abs(pair.apart_deg) <= limit:
            continue
        one, other = pair.one.removesuffix(" angle"), pair.other.removesuffix(" angle")
        what = f"{one} and {other} are {abs(pair.apart_deg):.1f} deg apart, though the shafts are coupled"
        advice = f"Set both heads to the same angle, or correct zero_deg: {other} shows {pair.apart_deg:+.1f} deg more."
        if not turned and abs(pair.sum_deg) <= limit:
            advice += " Or one of them counts the other way: run the check with a turn to tell."
        yield Finding("heads apart", joined([one, other]), what, advice)
