"""What is wrong with channels, in words."""

from collections.abc import Iterator

from livealign.config.rig import AngleSensor, DetectorSpec, Rig
from livealign.session.live.figures import ChannelFigures, LinkFigures, wired
from livealign.session.live.finding import Finding, mind
from livealign.session.live.of_links import no_field
from livealign.session.live.turn import FAR_ENOUGH_DEG
from livealign.session.live.words import multiple, number, share, with_unit

__all__ = ["channel_findings"]

_SOME = 0.01
_NEAR_END = 0.1
_NOISY = 3.0
_JUMPS = 0.02
_DRIFT = {"deg": 0.1, "mm": 0.005}
_DRIFT_U = 5.0
_COARSE = 4.0
_STUCK_READINGS = 100
_RESTART = "Restart the head; check its sensor, and the field."


def channel_findings(
    rig: Rig, c: ChannelFigures, link: LinkFigures, seconds: float, *, turned_deg: float
) -> Iterator[Finding]:
    """Yield what is wrong with a channel of a link that brings records.

    Args:
        rig: as the file has it.
        c: the channel at rest.
        link: its link.
        seconds: how long it was watched.
        turned_deg: how far the shafts were turned afterwards.
    """
    if not c.readings:
        # A battery may well be told once a minute; a field that has come once without a number is another thing.
        if c.kind != "auxiliary" or c.field not in link.fields:
            yield no_field(link, c.field, c.name)
        return
    if c.kind == "auxiliary":
        yield from _auxiliary(c)
        return
    spec = next(w.spec for w in wired(rig) if w.name == c.name)
    if isinstance(spec, DetectorSpec):
        if spec.light_field is not None and spec.light_field not in link.fields:
            yield no_field(link, spec.light_field, f"the light of {c.name}")
        yield from _seen(c, spec)
    if c.constant and not c.clipped > _SOME:
        yield from _constant(c, seconds, turned_deg=turned_deg)
    elif c.clipped + c.dim < 0.5:
        yield from _quality(c, "noise_deg" if isinstance(spec, AngleSensor) else "noise_mm", seconds)


def _auxiliary(c: ChannelFigures) -> Iterator[Finding]:
    if c.value is None:
        return
    for limit, beyond, words in (
        (c.low, c.low is not None and c.value < c.low, "low: {}, at least {} is in order"),
        (c.high, c.high is not None and c.value > c.high, "high: {}, at most {} is in order"),
    ):
        if limit is not None and beyond:
            what = f"{c.name} is {words.format(with_unit(c.value, c.unit), with_unit(limit, c.unit))}"
            advice = "See to it before measuring; a battery that is low is to be charged or changed."
            yield Finding("auxiliary", c.name, what, advice)


def _seen(c: ChannelFigures, spec: DetectorSpec) -> Iterator[Finding]:
    """Yield what is wrong with where the spot or the plunger stands, and with the light."""
    if c.clipped > _SOME:
        ends = "" if c.range is None else f" ({c.range[0]:g} to {c.range[1]:g} mm)"
        what = f"{c.name} is at the end of its range{ends} in {share(c.clipped)} of its readings"
        advice = "Bring the spot to the middle of the detector, or the plunger to the middle of its travel."
        yield Finding("clipped", c.name, what, advice)
    elif c.range is not None and c.value is not None:
        least, greatest = c.range
        if min(c.value - least, greatest - c.value) < _NEAR_END * (greatest - least):
            what = f"{c.name} stands at {number(c.value)} mm of {least:g} to {greatest:g} mm"
            yield mind(
                "near the end", c.name, what, "Bring it to the middle: it will run out when the shafts turn."
            )
    if c.dim > _SOME:
        light = (
            ""
            if c.light is None or c.dim_below is None
            else f" ({number(c.light)} of {number(c.dim_below)} needed)"
        )
        what = f"{c.name} gets too little light{light} in {share(c.dim)} of its readings"
        advice = (
            f"Is the beam on, and does it meet the detector? Clean its window; watch '{spec.light_field}'."
        )
        yield Finding("dim", c.name, what, advice)


def _constant(c: ChannelFigures, seconds: float, *, turned_deg: float) -> Iterator[Finding]:
    """Yield what to say of a channel that never changes.

    It is surely stuck if its last digit is finer than half its noise: a hundred readings in order would not all
    round to the same. A coarse one may rest on one number; only turning tells.
    """
    what = f"{c.name} has not changed at all in {c.readings} readings over {seconds:.0f} s"
    if c.digit is not None and c.readings >= _STUCK_READINGS and c.digit <= 0.5 * (c.declared_noise or 0.0):
        yield Finding("stuck", c.name, f"{what}: it is stuck", _RESTART)
    elif turned_deg < FAR_ENOUGH_DEG:
        advice = f"Turn the shafts to tell. If it stays: {_RESTART[:1].lower()}{_RESTART[1:]}"
        yield mind("coarse", c.name, f"{what}: it is stuck, or too coarse to show noise", advice)


def _quality(c: ChannelFigures, key: str, seconds: float) -> Iterator[Finding]:
    """Yield what is wrong with a channel's noise, steps and drift; `key` declares its noise."""
    # An angle that is said to have no noise is a doubt about the file, told without looking at the rig.
    declared = c.declared_noise or 0.0
    if declared and c.noise is not None and c.noise > _NOISY * declared:
        what = f"{c.name}: noise {number(c.noise)} {c.unit}, {multiple(c.noise / declared)} what the rig file says"
        advice = f"Tighten its bracket, shade off other light, average in the head; or write {key} = {number(c.noise)}."
        yield Finding("noisy", c.name, what, advice)
        return
    jumps = 1.0 - c.usable - c.clipped - c.dim
    if jumps > _JUMPS:
        what = f"{share(jumps)} of the readings of {c.name} jump, and are left out"
        yield Finding(
            "jumps", c.name, what, "Look for a loose contact, a knock, or something that cuts the beam."
        )
    if (
        c.drift is not None
        and c.drift_u is not None
        and abs(c.drift) > max(_DRIFT_U * c.drift_u, _DRIFT[c.unit])
    ):
        what = f"{c.name} drifts: {number(abs(c.drift))} {c.unit} in {seconds:.0f} s at rest"
        yield Finding(
            "drift", c.name, what, "Let the head warm up, tighten its bracket, keep hands off the shafts."
        )
    if declared and c.step is not None and c.step > _COARSE * declared:
        what = f"{c.name} changes in steps of {number(c.step)} {c.unit}, coarse for a noise of {declared:g} {c.unit}"
        # A rounded reading has a standard uncertainty of its step over the root of 12 (JCGM 100:2008, F.2.2.1).
        advice = f"Write {key} = {number(c.step / 12**0.5)}, or have the head send more digits."
        yield mind("coarse", c.name, what, advice)
