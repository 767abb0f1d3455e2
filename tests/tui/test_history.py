from dataclasses import replace

import pytest

from livealign.snapshot import PlanePose, Pose, Settling, Snapshot
from livealign_tui.history import SPAN_S, History, final_mm, wanted_offset_mm


def test_it_keeps_a_minute_however_fast_snapshots_come(job: Snapshot) -> None:
    history = History()
    for i in range(20_000):
        history.add(replace(job, time_s=i / 100))
    points = history.series("vertical", "offset")
    assert points[-1].time_s == pytest.approx(199.99, abs=0.05)
    assert points[-1].time_s - points[0].time_s <= SPAN_S
    assert len(points) <= 1500


def test_a_session_that_begins_again_starts_a_new_line(job: Snapshot) -> None:
    history = History()
    history.add(replace(job, time_s=500.0))
    history.add(replace(job, time_s=1.0))
    assert [point.time_s for point in history.series("vertical", "offset")] == [1.0]


def test_each_foot_has_its_line_in_both_planes(job: Snapshot) -> None:
    history = History()
    history.add(job)
    far = job.feet[1]
    assert history.series("vertical", "far feet")[0].value_mm == far.vertical_mm
    assert history.series("horizontal", "far feet")[0].u_mm == far.horizontal_u_mm
    assert history.series("vertical", "no such foot")[0].value_mm is None


def test_the_aim_is_zero_where_the_job_allows_for_no_growth(job: Snapshot) -> None:
    assert wanted_offset_mm(job, "vertical") == pytest.approx(0.0, abs=1e-12)
    assert wanted_offset_mm(job, "horizontal") == pytest.approx(0.0, abs=1e-12)


def test_the_aim_follows_from_the_moves_where_it_does(job: Snapshot) -> None:
    # The shaft is to stand 0.2 mm low at the coupling and rise 0.1 mm/m: T(x) = -0.2 + 0.1 x / 1000.
    pose = job.pose.vertical
    feet = []
    for foot in job.feet:
        now = (pose.offset_mm or 0) + (pose.slope_mm_per_m or 0) * foot.x_mm / 1000
        feet.append(replace(foot, vertical_mm=-0.2 + 0.1 * foot.x_mm / 1000 - now))
    assert wanted_offset_mm(replace(job, feet=tuple(feet)), "vertical") == pytest.approx(-0.2)


def test_no_aim_is_made_up(job: Snapshot) -> None:
    assert wanted_offset_mm(replace(job, feet=job.feet[:1]), "vertical") is None
    assert wanted_offset_mm(replace(job, pose=Pose(PlanePose(), PlanePose())), "vertical") is None


def test_a_move_is_heading_for_what_is_left_to_make_once_the_machine_is_still(job: Snapshot) -> None:
    # 0.342 - 0.31 x 0.75 = 0.1095 mm high at the far feet now, 0.1 - 0.1 x 0.75 = 0.025 mm in the end.
    falling = replace(job, settling=Settling(final_offset_mm=0.1, final_slope_mm_per_m=-0.1))
    assert final_mm(falling, "vertical", "offset") == 0.1
    assert final_mm(falling, "vertical", "far feet") == pytest.approx(-0.025)


def test_no_end_is_made_up(job: Snapshot) -> None:
    falling = replace(job, settling=Settling(final_offset_mm=0.1))
    assert final_mm(job, "vertical", "offset") is None
    assert final_mm(falling, "horizontal", "offset") is None
    assert final_mm(falling, "vertical", "no such foot") is None
    # An offset alone does not tell where a foot is going.
    assert final_mm(falling, "vertical", "far feet") is None
