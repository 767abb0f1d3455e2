"""A job's snapshots as the core would make them, and a dashboard to show them."""

from dataclasses import replace

import pytest

from livealign.snapshot import Foot, Pose, RotationState, Settling, Snapshot, Verdict
from tests.tui.jobs import measured
from tests.tui.stage import Service, Stage


@pytest.fixture
def job() -> Snapshot:
    """A job that has been measured, in phase `ready`; tests replace what they are about."""
    return measured()


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
