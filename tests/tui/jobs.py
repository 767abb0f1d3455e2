"""A job's snapshots as the core would make them."""

import math
from dataclasses import replace

from livealign.advice.words import horizontal_move, vertical_move
from livealign.snapshot import (
    SCHEMA,
    BoltUp,
    BoltUpMove,
    BoltUpStep,
    BudgetLine,
    BudgetPart,
    ChannelState,
    CounterState,
    Diagnosis,
    Foot,
    GrossReading,
    LinkStatus,
    MachineState,
    PlanePose,
    Pose,
    ReadinessItem,
    Residual,
    RotationState,
    Settling,
    Snapshot,
    SoftFoot,
    SoftFootState,
    Verdict,
)

__all__ = ["disturbed", "measured", "readied", "settling"]


def feet_of(vertical: PlanePose, horizontal: PlanePose) -> tuple[Foot, ...]:
    feet = []
    for name, x in (("near feet", 330.0), ("far feet", 750.0)):
        up = -((vertical.offset_mm or 0) + (vertical.slope_mm_per_m or 0) * x / 1000)
        across = -((horizontal.offset_mm or 0) + (horizontal.slope_mm_per_m or 0) * x / 1000)
        feet.append(
            Foot(name, x, up, 0.01, across, 0.012, vertical_move(up, "mm"), horizontal_move(across, "mm"))
        )
    return tuple(feet)


def readied(job: Snapshot) -> Snapshot:
    """The job with a checklist begun, a round of soft foot under way, and a suction flange half tightened."""
    items = (
        ReadinessItem(
            "lockout",
            "Locked out, tagged out, tried to start",
            "Every source of energy is locked and tagged; nothing moves.",
            safety=True,
            source="the plant's procedure 3",
            state="done",
            who="Anne",
            time_s=20.0,
            note="tag 7",
        ),
        ReadinessItem("guards", "Guards off only where one works", "They are kept together.", safety=True),
        ReadinessItem(
            "runout", "Runout read", "Total reading on both rims.", limit_mm=0.05, source="plant standard 12"
        ),
    )
    gauged = SoftFootState(
        "near feet",
        "left",
        "tightened",
        0.19,
        0.02,
        (0.18,) * 4,
        "parallel",
        0.18,
        "add 0.18 mm",
        0.21,
        0.001,
    )
    feet = (
        gauged,
        SoftFootState("near feet", "right", "tightened", 0.008, 0.003, (), "none", None, "in order"),
        SoftFootState("far feet", "left"),
        SoftFootState("far feet", "right"),
    )
    soft_foot = SoftFoot(
        "watching", 2, feet, at_rest=True, limit_mm=0.05, source="2 mil (50 um)", words="next: far feet, left"
    )
    moved = BoltUpMove(0.012, 0.001)
    step = BoltUpStep("suction flange, bolts 1 and 5", 90.0, moved, moved)
    words = "at most up and down +0.01 mm +- 0.01; sideways is not seen from here"
    bolt_up = BoltUp(
        "watching", (step,), moved, "undecided", at_rest=True, limit_mm=0.05, source="API RP 686", words=words
    )
    return replace(job, readiness=items, soft_foot=soft_foot, bolt_up=bolt_up)


def _residuals() -> tuple[Residual, ...]:
    """Readings from 320 deg over the top to 100 deg; two of head M do not fit."""
    made = []
    for i in range(40):
        for detector in ("head M position", "head S position"):
            wrong = detector == "head M position" and i in {12, 25}
            off = 0.02 if wrong else 0.0003 * ((7 * i + len(made)) % 11 - 5)
            made.append(Residual(detector, (320 + 3.5 * i) % 360, off, not wrong))
    return tuple(made)


def measured() -> Snapshot:
    """A job that has been measured, in phase `ready`."""
    vertical = PlanePose(0.342, 0.006, -0.31, 0.024)
    horizontal = PlanePose(-0.12, 0.006, 0.22, 0.024)
    covered = tuple(0.9 if i < 8 else 0.4 if i < 10 else 0.1 if i >= 32 else 0.0 for i in range(36))
    return Snapshot(
        schema=SCHEMA,
        sequence=1,
        time_s=100.0,
        job="Grain dryer fan 2",
        units="mm",
        phase="ready",
        plane="vertical",
        hold=False,
        pose=Pose(vertical, horizontal),
        feet=feet_of(vertical, horizontal),
        verdict=Verdict(
            "undecided",
            0.712,
            "flex-plane",
            "API RP 686, 2nd ed. (2009), cl. 5.4.6.2",
            "0.5 mm/m at both flex planes",
            "flex plane of the movable machine: 0.48 of 0.5 mm/m",
            0.96,
        ),
        machine_state="settling",
        gap_diameter_mm=160.0,
        gap_vertical_mm=0.05,
        gap_horizontal_mm=-0.035,
        rotation=RotationState(
            arc_deg=140.0,
            covered=covered,
            readings=812,
            left_out=2,
            residual_sd_mm=0.0021,
            observable=True,
            advice="more near 95 deg: worst foot +- 0.08 -> 0.03 mm",
            next_angle_deg=95.0,
            residuals=_residuals(),
        ),
        settling=Settling(3.0, 352.0, "parked at 352 deg, good for up and down", 8.0),
        channels=(
            ChannelState("head S spot", "position", "mm", 1.2034, 99.8, 0.0019, ("steady",)),
            ChannelState("head M spot", "position", "mm", -0.884, 100.1, 0.0023, ("noisy", "dim")),
            ChannelState("head M angle", "angle", "deg", None, None, None, ("silent",)),
        ),
        links=(
            LinkStatus(
                "S",
                "open",
                "",
                8.0,
                99.8,
                0.4,
                CounterState(frames=9012, bytes=400_000, records=9010, bad=2),
                "12,4,,x*5A: wrong checksum",
            ),
            LinkStatus(
                "M",
                "lost",
                "/dev/ttyUSB1 is gone; plug it in again",
                97.0,
                None,
                None,
                CounterState(frames=8790, bytes=390_000, records=8790, missed=41, reconnects=2),
            ),
        ),
        advice=("near feet: remove 0.24 mm; far feet: remove 0.11 mm. Tighten, then wait for settled.",),
    )


_READINGS = "turn further or once more, slowly; steady the rig"
_ZEROS = "find each head's angle zero by reversal, and state it"


def _budget_line(quantity: str, unit: str, *us: float) -> BudgetLine:
    sources = ("readings", "angle zeros", "gains", "distances", "bracket sag")
    parts = tuple(BudgetPart(source, u) for source, u in zip(sources, us, strict=True) if u)
    largest = max(parts, key=lambda part: part.u).source
    remedy = _ZEROS if largest == "angle zeros" else _READINGS
    return BudgetLine(quantity, unit, math.hypot(*us), 1.98, parts, largest, remedy)


def disturbed(job: Snapshot) -> Snapshot:
    """The job after a turn in which not everything was as it should be, with its budget."""
    rotation = replace(
        job.rotation,
        enough=True,
        gross=(
            GrossReading(41.2, "head M position", 47.5, -0.0312),
            GrossReading(12.9, "head M position", 2.0, 0.02),
        ),
    )
    diagnoses = (
        Diagnosis(
            "hysteresis",
            0.01,
            "mm",
            "head S position",
            "readings depend on which way the shafts turn: backlash, or a loose bracket",
            "tighten the brackets; read while turning one way only",
        ),
        Diagnosis(
            "fast turning",
            74.0,
            "deg/s",
            "whole rig",
            "an inclinometer that feels gravity also feels the turning itself",
            "turn more slowly, and evenly",
        ),
    )
    budget = (
        _budget_line("vertical offset", "mm", 0.0041, 0.0021, 0.0034, 0.0008, 0.0),
        _budget_line("vertical slope", "mm/m", 0.0192, 0.0101, 0.0029, 0.0007, 0.0),
        _budget_line("horizontal offset", "mm", 0.0031, 0.0049, 0.0012, 0.0008, 0.0),
        _budget_line("horizontal slope", "mm/m", 0.0131, 0.0194, 0.0022, 0.0007, 0.0),
        _budget_line("vertical gap", "mm", 0.0031, 0.0016, 0.0005, 0.0001, 0.0),
        _budget_line("horizontal gap", "mm", 0.0021, 0.0031, 0.0004, 0.0001, 0.0),
        _budget_line("near feet, vertical", "mm", 0.0081, 0.0042, 0.0035, 0.0009, 0.0),
        _budget_line("far feet, vertical", "mm", 0.0083, 0.0041, 0.0034, 0.0011, 0.0),
        _budget_line("near feet, horizontal", "mm", 0.0062, 0.0098, 0.0018, 0.0009, 0.0),
        _budget_line("far feet, horizontal", "mm", 0.0064, 0.0099, 0.0021, 0.0011, 0.0),
    )
    return replace(job, rotation=rotation, diagnoses=diagnoses, budget=budget)


def _lowered(since_s: float) -> float:
    """Return what is left of a step some seconds after its beginning: most goes at once, a third creeps."""
    if since_s < 0.0:
        return 1.0
    return 0.65 * max(1.0 - since_s / 2.0, 0.0) + 0.35 * math.exp(-since_s / 9.0)


def settling(job: Snapshot) -> list[Snapshot]:
    """A minute in which the machine is lowered from 0.34 mm too high in two goes, and creeps toward 0.012 mm."""
    made = []
    for i in range(121):
        now = i / 2 - 60.0
        first, second = _lowered(now + 39.0), _lowered(now + 7.0)
        low = 0.012 + 0.15 * first + 0.18 * second
        turned = -0.052 - 0.12 * first - 0.14 * second
        since = now + 7.0 if now >= -7.0 else now + 39.0
        u = 0.006 + 0.02 * math.exp(-since / 5.0) * min(since, 1.0) if since >= 0.0 else 0.006
        state: MachineState = "settled"
        heading = Settling(1.0 - since)
        if 0.0 <= since < 20.0:
            state = "moving" if since < 4.0 else "settling"
            aim = (0.012, -0.052) if now >= -7.0 else (0.192, -0.19)
            heading = Settling(0.0, None, "", 20.0 - since, *aim)
        vertical = PlanePose(low, u, turned, 4 * u)
        heading = replace(heading, parked_deg=352.0, parked_words="parked at 352 deg, good for up and down")
        feet = feet_of(vertical, job.pose.horizontal)
        made.append(
            replace(
                job,
                phase="adjust",
                sequence=i,
                time_s=40 + i / 2,
                pose=replace(job.pose, vertical=vertical),
                feet=feet,
                machine_state=state,
                settling=heading,
                advice=("wait until it has settled, then see what the feet still need.",),
            )
        )
    return made
