"""A job's snapshots as the core would make them, and a dashboard to show them."""

from dataclasses import replace

import pytest

from livealign.snapshot import (
    SCHEMA,
    ChannelState,
    CounterState,
    Foot,
    LinkStatus,
    PlanePose,
    Pose,
    Residual,
    RotationState,
    Settling,
    Snapshot,
    Verdict,
)
from tests.tui.stage import Service, Stage


def _feet(vertical: PlanePose, horizontal: PlanePose) -> tuple[Foot, ...]:
    feet = []
    for name, x in (("near feet", 330.0), ("far feet", 750.0)):
        up = -((vertical.offset_mm or 0) + (vertical.slope_mm_per_m or 0) * x / 1000)
        across = -((horizontal.offset_mm or 0) + (horizontal.slope_mm_per_m or 0) * x / 1000)
        up_words = f"{'add' if up > 0 else 'remove'} {abs(up):.2f} mm"
        across_words = f"{abs(across):.2f} mm toward {3 if across > 0 else 9} o'clock"
        feet.append(Foot(name, x, up, 0.01, across, 0.012, up_words, across_words))
    return tuple(feet)


def _residuals() -> tuple[Residual, ...]:
    """Readings from 320 deg over the top to 100 deg; two of head M do not fit."""
    made = []
    for i in range(40):
        for detector in ("head M position", "head S position"):
            wrong = detector == "head M position" and i in {12, 25}
            off = 0.02 if wrong else 0.0003 * ((7 * i + len(made)) % 11 - 5)
            made.append(Residual(detector, (320 + 3.5 * i) % 360, off, not wrong))
    return tuple(made)


def _job() -> Snapshot:
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
        feet=_feet(vertical, horizontal),
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
                CounterState(9012, 400_000, 9010, 2, 0, 0, 0),
                "12,4,,x*5A: wrong checksum",
            ),
            LinkStatus(
                "M",
                "lost",
                "/dev/ttyUSB1 is gone; plug it in again",
                97.0,
                None,
                None,
                CounterState(8790, 390_000, 8790, 0, 41, 0, 2),
            ),
        ),
        advice=("near feet: remove 0.24 mm; far feet: remove 0.11 mm. Tighten, then wait for settled.",),
    )


@pytest.fixture
def job() -> Snapshot:
    """A job that has been measured, in phase `ready`; tests replace what they are about."""
    return _job()


@pytest.fixture
def nothing_known(job: Snapshot) -> Snapshot:
    """The same job before anything was measured."""
    feet = tuple(Foot(foot.name, foot.x_mm) for foot in job.feet)
    return replace(
        job,
        pose=Pose(),
        feet=feet,
        verdict=Verdict(),
        machine_state="unknown",
        gap_vertical_mm=None,
        gap_horizontal_mm=None,
        rotation=RotationState(),
        settling=Settling(),
        channels=(),
        links=(),
        advice=(),
    )


@pytest.fixture
def stage() -> Stage:
    return Stage()


@pytest.fixture
def service(stage: Stage) -> Service:
    return stage.service
