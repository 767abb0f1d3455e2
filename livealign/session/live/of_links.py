"""What is wrong with links, in words."""

from collections.abc import Iterator

from livealign.config.rig import DeviceClock, Link, Rig
from livealign.session.live.figures import LinkFigures
from livealign.session.live.finding import Finding, mind
from livealign.session.live.words import number, sentence, times_words
from livealign.stream.clock import UNIT_S

__all__ = ["link_findings", "no_field"]

_SHARE = 0.005
"""Of the records; fewer that are lost, spoilt or repeated cost nothing."""
_FEW = 3
"""When a link is opened in the middle of a record, what is left of that one is bad."""
_RATE_OFF = 0.1
_SLOW_HZ = 5.0
_PACE_OFF = 0.05
_LONG_GAP_S = 1.0
_BURSTS_MS = 300.0
_BURST_RECORDS = 5.0
_JITTER_MS = 25.0
"""While the shafts turn at 20 deg/s that is half a degree between a position and the angle it is paired with."""

_NOT_OPEN = {"connecting": "has not been opened yet", "refused": "cannot be used"}


def link_findings(rig: Rig, link: Link, f: LinkFigures) -> Iterator[Finding]:
    """Yield what is wrong with a link."""
    who = f"link {f.name}"
    if f.state in {"connecting", "lost", "refused"}:
        what = _NOT_OPEN.get(f.state, "was lost" if f.records else "is not there")
        advice = f.detail or "Check the cable, the power and the link's driver in the rig file."
        yield Finding("not open", f.name, f"{who} {what}", sentence(advice))
    elif not f.records:
        yield _nothing(link, f, who)
    if not f.records:
        return
    clock = _clock(link.clock, f, who) if link.clock is not None else None
    if clock:
        yield clock
    yield from _interruptions(f, who, restarts=clock is None)
    yield from _losses(f, who)
    if f.rate_hz is not None and not f.reconnects and f.driver != "file":
        yield from _rate(f, f.rate_hz, who)
        yield from _arrival(rig, link, f, f.rate_hz, who)
    if link.clock is not None and clock is None:
        yield from _sampling(link.clock, f, who)


def _nothing(link: Link, f: LinkFigures, who: str) -> Finding:
    check = f"the format ({link.format.kind}) and its settings against what the head sends"
    if f.driver == "serial":
        check = f"baud ({link.driver.options.get('baud', 115200)} in the rig file) against the head's, then {check}"
    if f.bad:
        last = f"; the last: {f.last_bad}" if f.last_bad else ""
        what = f"nothing that comes over {who} can be read: {f.bad} bad records{last}"
        return Finding("only bad records", f.name, what, f"Check {check}.")
    if f.bytes:
        what = f"{f.bytes} bytes came over {who}, but not one whole record"
        return Finding("only bad records", f.name, what, f"Check {check}.")
    advice = "Switch the head on and look at its cable; some heads send only when they are told to."
    if f.driver == "file":
        advice = "Put captured bytes into its file."
    return Finding("nothing comes", f.name, f"{who} is open, but nothing comes over it", advice)


def _clock(clock: DeviceClock, f: LinkFigures, who: str) -> Finding | None:
    field, unit = clock.field, clock.unit
    who = f"the clock of {who}"
    if field not in f.fields:
        return no_field(f, field, who)
    if f.clock_step_ms is None and f.records >= 10:
        advice = "Name the field that counts the device's time, or leave clock out."
        return Finding("clock", f.name, f"{who}, field '{field}', never moves on", advice)
    if f.clock_pace is None or abs(f.clock_pace - 1.0) <= _PACE_OFF:
        return None
    true_s = UNIT_S[unit] / f.clock_pace
    fits = next((u for u, s in UNIT_S.items() if abs(s / true_s - 1.0) < _RATE_OFF), None)
    advice = (
        f'Write unit = "{fits}" under its clock.'
        if fits
        else "Check its unit and wrap_bits, or leave clock out."
    )
    what = f"{who}, field '{field}' in {unit}, runs {number(f.clock_pace)} times as fast as this computer's"
    return Finding("clock", f.name, what, advice)


def _interruptions(f: LinkFigures, who: str, *, restarts: bool) -> Iterator[Finding]:
    if f.reconnects:
        what = f"{who} was lost and came back {times_words(f.reconnects)}"
        yield Finding("reconnects", f.name, what, "Look at its plug and cable, or bring the radio nearer.")
    elif f.restarts and restarts:
        what = f"the device on {who} began anew {times_words(f.restarts)}"
        yield Finding("restarts", f.name, what, "Look at its supply: a weak battery does this.")
    if f.dropped:
        what = f"{f.dropped} pieces of {who} were dropped: they come faster than this computer reads"
        yield mind("too fast", f.name, what, "End other programs, or send fewer records a second.")


def _losses(f: LinkFigures, who: str) -> Iterator[Finding]:
    if _many(f.bad, f.records):
        what = f"{f.bad} of {f.records + f.bad} records of {who} cannot be read; the last: {f.last_bad}"
        advice = "Look at the cable inside the head; check the format's settings."
        if f.driver == "serial":
            advice = "Shorten or screen the cable, or lower the baud rate on both sides; check the format's settings."
        yield Finding("bad records", f.name, what, advice)
    long = f.longest_gap_s is not None and f.longest_gap_s > _LONG_GAP_S and not f.reconnects
    if _many(f.lost, f.records) or long:
        stretch = "" if f.longest_gap_s is None else f", {f.longest_gap_s:.1f} s at a stretch"
        what = f"{f.lost} of {f.records + f.lost} records of {who} never came{stretch}"
        advice = "Bring a radio nearer; on a wire raise the baud rate on both sides; or send fewer records a second."
        yield Finding("lost records", f.name, what, advice)
    if _many(f.duplicates, f.records):
        what = f"{f.duplicates} records of {who} came twice"
        advice = (
            "Does the head send each again, or come by two paths? With a sequence number they are left out."
        )
        yield Finding("duplicates", f.name, what, advice)


def _many(some: int, records: int) -> bool:
    return some >= _FEW and some > _SHARE * (records + some)


def _rate(f: LinkFigures, rate_hz: float, who: str) -> Iterator[Finding]:
    nominal = f.nominal_rate_hz
    if nominal is not None and abs(rate_hz / nominal - 1.0) > _RATE_OFF:
        what = f"{who} brings {number(rate_hz)} records a second, the rig file says {number(nominal)}"
        advice = f"Write nominal_rate_hz = {number(rate_hz)}, or set the head to {number(nominal)}."
        yield Finding("rate", f.name, what, advice)
    elif rate_hz < _SLOW_HZ:
        what = f"{who} brings only {number(rate_hz)} records a second"
        yield mind("rate", f.name, what, "Have the head send more often, or turn the shafts slowly.")


def _arrival(rig: Rig, link: Link, f: LinkFigures, rate_hz: float, who: str) -> Iterator[Finding]:
    if (
        f.bursts_ms is not None
        and f.bursts_ms > max(_BURSTS_MS, _BURST_RECORDS * 1e3 / rate_hz)
        and not f.gaps
    ):
        what = f"records of {who} come in bursts, up to {f.bursts_ms:.0f} ms apart"
        yield mind(
            "jitter", f.name, what, "The screens lag by as much; have the head send every record at once."
        )
        return
    if link.clock is not None or f.arrival_ms is None or not _paired_across(rig, link):
        return
    if f.arrival_ms.p99 > _JITTER_MS:
        what = (
            f"{who} carries no clock of its device, and records arrive unevenly, by {f.arrival_ms.p99:.0f} ms"
        )
        advice = (
            "Have the device send its milliseconds, and name the field under clock; until then turn slowly."
        )
        yield mind("jitter", f.name, what, advice)


def _paired_across(rig: Rig, link: Link) -> bool:
    """Do angles or positions of this link belong to those of another?"""
    owner = next((h for h in rig.heads if h.angle is not None), None)
    for head in rig.heads:
        source = head if head.angle is not None else owner
        if source is None or source.angle is None:
            continue
        angle_link = source.angle.link or source.link
        position_links = {spec.link or head.link for spec in head.detectors}
        if any(link.name in {angle_link, p} and angle_link != p for p in position_links):
            return True
    return False


def _sampling(clock: DeviceClock, f: LinkFigures, who: str) -> Iterator[Finding]:
    step_ms = f.clock_step_ms
    if f.clock_ms is None or step_ms is None:
        return
    # Steps of a coarse clock differ by a tick either way though the device measures evenly.
    if f.clock_ms.p99 > max(0.5 * step_ms, 2e3 * UNIT_S[clock.unit]):
        what = (
            f"the device on {who} does not measure evenly: "
            f"its steps of {number(step_ms)} ms differ by {number(f.clock_ms.p99)} ms"
        )
        yield mind("jitter", f.name, what, "Have it measure by a timer; until then turn slowly.")


def no_field(f: LinkFigures, field: str, who: str) -> Finding:
    """Return what to say of a field that does not come."""
    if field in f.fields:
        what = f"{who}: field '{field}' comes, but never with a number"
        return Finding("no such field", who, what, "Look at what the head sends there.")
    what = f"{who}: no field '{field}' comes over link {f.name}"
    advice = f"Correct the name in the rig file; these come: {', '.join(f.fields)}."
    return Finding("no such field", who, what, advice)
