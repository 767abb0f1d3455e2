"""Did the program conclude what the scenario says? Judged from its snapshots and the truth alone."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from livealign.snapshot import Finding, PlanePose, Pose, Snapshot
from livealign_simulators.scenario import Conclusion

__all__ = ["Seen", "unmet"]

_EXPANDED = 2.0
"""U is twice the standard uncertainty."""


@dataclass
class Seen:
    """What the program has said in a scenario."""

    last: Snapshot | None = None
    ended: Snapshot | None = None
    """The first after the end of the last rotation."""
    warned: set[str] = field(default_factory=set)
    """Diagnoses while a rotation lasted."""
    diagnoses: set[str] = field(default_factory=set)
    """At the end of rotations."""
    machine: set[str] = field(default_factory=set)
    """Its states while a plane was followed."""
    offsets_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    """By plane: least and greatest offset while it was followed."""
    flags: set[tuple[str, str]] = field(default_factory=set)
    links: set[tuple[str, str]] = field(default_factory=set)
    counted: set[tuple[str, str]] = field(default_factory=set)
    words: set[str] = field(default_factory=set)

    def take(self, s: Snapshot) -> None:
        """Take a snapshot."""
        ended = s.phase == "findings" and (self.last is None or self.last.phase == "rotation")
        self.last = s
        if s.phase == "rotation":
            self.warned |= {d.name for d in s.diagnoses}
        if ended:
            self.ended = s
            self.diagnoses |= {d.name for d in s.diagnoses}
        if s.phase == "adjust":
            self.machine.add(s.machine_state)
            offset = (s.pose.vertical if s.plane == "vertical" else s.pose.horizontal).offset_mm
            if offset is not None:
                least, most = self.offsets_mm.get(s.plane, (offset, offset))
                self.offsets_mm[s.plane] = (min(least, offset), max(most, offset))
        self.flags |= {(c.name, flag) for c in s.channels for flag in c.flags}
        self.links |= {(x.name, x.state) for x in s.links}
        for x in s.links:
            c = x.counters
            numbers = {
                "bad": c.bad,
                "missed": c.missed,
                "repeated": c.repeated,
                "late": c.late,
                "restarts": c.restarts,
                "dropped": c.dropped,
                "reconnects": c.reconnects,
            }
            self.counted |= {(x.name, name) for name, n in numbers.items() if n}
        self.words |= set(s.advice) | set(s.rotation.missing) | {x.detail for x in s.links}
        self.words |= {s.settling.held_words, s.settling.parked_words, s.verdict.worst, s.rotation.advice}
        self.words |= {w for d in s.diagnoses for w in (d.cause, d.remedy)}


def unmet(
    wanted: Conclusion, seen: Seen, truth: Mapping[str, Pose], expanded: float = _EXPANDED
) -> list[str]:
    """Return what the program did not conclude although it should, in words; nothing if all is as it should be.

    Args:
        wanted: by the scenario.
        seen: all that the program said.
        truth: the true pose at the end of the rotation "as found", and "as left".
        expanded: so many standard uncertainties a true figure may be off.
    """
    if seen.last is None:
        return ["the program said nothing"]
    findings = {"as found": seen.last.as_found, "as left": seen.last.as_left}
    states = {"as found": wanted.as_found, "as left": wanted.as_left}
    return [
        *_verdicts(states, findings),
        *_figures(wanted, findings, truth, expanded),
        *_rotations(wanted, seen),
        *_machine(wanted, seen),
        *_rest(wanted, seen),
    ]


def _verdicts(states: Mapping[str, str | None], findings: Mapping[str, Finding | None]) -> Iterator[str]:
    for when, state in states.items():
        finding = findings[when]
        found = "not known" if finding is None else finding.verdict.state
        if state is not None and found != state:
            yield f"{when}: {found}, not {state}"


def _figures(
    wanted: Conclusion,
    findings: Mapping[str, Finding | None],
    truth: Mapping[str, Pose],
    expanded: float,
) -> Iterator[str]:
    for when in (*wanted.true, *wanted.misled):
        finding, true = findings[when], truth.get(when)
        if finding is None or true is None:
            yield f"{when}: no pose was found"
            continue
        off = [*_off("up and down", finding.pose.vertical, true.vertical, expanded)]
        off += _off("sideways", finding.pose.horizontal, true.horizontal, expanded)
        if when in wanted.true:
            yield from (f"{when}: {words}" for words in off)
        elif not off:
            yield f"{when}: all figures are true, although the program should be misled"


def _off(where: str, told: PlanePose, true: PlanePose, expanded: float) -> Iterator[str]:
    pairs = (
        ("offset", told.offset_mm, told.offset_u_mm, true.offset_mm, "mm"),
        ("slope", told.slope_mm_per_m, told.slope_u_mm_per_m, true.slope_mm_per_m, "mm/m"),
    )
    for what, value, u, should, unit in pairs:
        if value is None or u is None or should is None:
            yield f"{what} {where} is not known"
        elif abs(value - should) > expanded * u:
            yield f"{what} {where} is {value:.3f} +- {expanded * u:.3f} {unit}, in truth {should:.3f}"


def _rotations(wanted: Conclusion, seen: Seen) -> Iterator[str]:
    for name in wanted.diagnoses:
        if name not in seen.diagnoses:
            yield f"not diagnosed: {name} (but {', '.join(sorted(seen.diagnoses)) or 'nothing'})"
    for name in wanted.warnings:
        if name not in seen.warned:
            yield f"no warning during a rotation: {name} (but {', '.join(sorted(seen.warned)) or 'nothing'})"
    if wanted.no_other_diagnosis:
        for name in sorted(seen.diagnoses.difference(wanted.diagnoses)):
            yield f"diagnosed too: {name}"
    if wanted.not_observable and (seen.ended is None or seen.ended.rotation.observable):
        yield "the last rotation gave a pose"


def _machine(wanted: Conclusion, seen: Seen) -> Iterator[str]:
    for state in wanted.machine:
        if state not in seen.machine:
            yield f"the machine was never {state} (but {', '.join(sorted(seen.machine)) or 'not followed'})"
    moved = max((most - least for least, most in seen.offsets_mm.values()), default=0.0)
    feet = {} if seen.last is None else {f"{f.plane} {f.side}": f.kind for f in seen.last.soft_foot.feet}
    for foot, kind in wanted.soft_feet.items():
        if feet.get(foot) != kind:
            yield f"{foot}: {feet.get(foot, 'not looked at')}, not {kind}"
    if wanted.moved_mm is not None and moved < wanted.moved_mm:
        yield f"the offset moved by {moved:.3f} mm only"


def _rest(wanted: Conclusion, seen: Seen) -> Iterator[str]:
    for channel, flag in wanted.flags.items():
        if (channel, flag) not in seen.flags:
            had = sorted(f for c, f in seen.flags if c == channel)
            yield f"{channel} was never {flag} (but {', '.join(had) or 'nothing'})"
    for link, state in wanted.links.items():
        if (link, state) not in seen.links:
            yield f"link {link} was never {state}"
    for link, counters in wanted.counters.items():
        for name in counters:
            if (link, name) not in seen.counted:
                yield f"link {link} counted nothing as {name}"
    for words in wanted.words:
        if not any(words in said for said in seen.words):
            yield f"never said: {words!r}"
