"""What a person may ask when, and what is said otherwise."""

import pytest

from livealign.session.engine import Session
from livealign.session.events import Command, CommandName
from session.bench import FACING, Course, Line, adjusting, assert_pose, job_of, rig_of


def refused(session: Session, name: CommandName, text: str = "") -> str | None:
    return session.objection(Command(name, 0, text=text))


def test_each_command_at_the_wrong_time_is_refused_in_words() -> None:
    course = Course(job_of())
    course.run(0.2)
    assert course.objection("end_rotation") == "no rotation is being read"
    assert "a rotation must come first" in course.objection("adjust", plane="vertical")
    course.command("begin_rotation")
    course.run(0.2)
    assert course.objection("begin_rotation") == "a rotation is being read already: end it first"
    assert course.objection("adjust", plane="vertical") == "a rotation is being read: end it first"
    course.run(6.4, turn_deg_s=60.0)
    course.command("end_rotation")
    assert course.objection("end_rotation") == "no rotation is being read"
    course.command("adjust", plane="horizontal")
    assert course.objection("end_rotation") == "no rotation is being read"
    # naming no plane keeps the one chosen before
    assert course.command("adjust").plane == "horizontal"


def test_a_rotation_that_shows_nothing_lets_nobody_adjust() -> None:
    course = Course(job_of())
    course.command("begin_rotation")
    course.run(2.0)
    ended = course.command("end_rotation")
    assert ended.phase == "findings"
    assert ended.as_found is None
    assert "not observable" in ended.advice[0]
    assert "turn further" in ended.advice[1]
    assert "not known yet" in course.objection("adjust")


def test_a_rotation_without_a_single_reading_ends_quietly() -> None:
    session = Session(job_of(), rig_of(FACING))
    session.feed(Command("begin_rotation", 1))
    ended = session.feed(Command("end_rotation", 2))
    assert ended is not None
    assert ended.pose.vertical.offset_mm is None
    assert ended.rotation.readings == 0


def test_notes_are_kept_in_order_and_bounded() -> None:
    course = Course(job_of())
    assert course.command("note", text="  shaft marked at 12  ").notes == ("shaft marked at 12",)
    assert course.objection("note", text="  ") == "the note is empty"
    for i in range(300):
        last = course.command("note", text=f"note {i}")
    assert last.notes == tuple(f"note {i}" for i in range(100, 300))


def test_hold_keeps_readings_out_of_the_rotation() -> None:
    course = Course(job_of(), axis=Line(up=0.2))
    course.command("begin_rotation")
    course.run(5.0, turn_deg_s=40.0)
    held = course.command("hold", on=True)
    assert held.hold
    before = held.rotation.readings
    course.axis = Line(up=2.0, rise=3.0)  # somebody leans on it
    leaning = course.run(2.0, turn_deg_s=40.0)[-1]
    assert "Readings are held" in leaning.advice[0]
    assert {c.value is None for c in leaning.channels} == {False}
    course.axis = Line(up=0.2)
    course.command("hold", on=False)
    after = course.run(0.5)[-1]
    assert before <= after.rotation.readings <= before + 2 * 52
    assert not after.hold
    course.run(4.0, turn_deg_s=40.0)
    assert_pose(course.command("end_rotation").pose, Line(up=0.2))


def test_hold_keeps_readings_out_of_the_adjustment() -> None:
    course = adjusting(0.0, "vertical")
    settled = course.run(1.0)[-1]
    true = course.axis
    course.command("hold", on=True)
    course.axis = true.moved(up=(1.0, 1.0))  # the crowbar goes under the feet, and comes out again
    held = course.run(2.0)[-1]
    assert held.pose.vertical.offset_mm == pytest.approx(settled.pose.vertical.offset_mm, abs=1e-3)
    course.axis = true
    course.command("hold", on=False)
    after = course.run(2.0)[-1]
    assert after.machine_state == "settled"
    assert_pose(after.pose, true)


def test_beginning_anew_lets_the_old_rotation_go() -> None:
    course = Course(job_of(), axis=Line(up=0.5))
    first = course.rotation(360.0)
    course.axis = Line(up=-0.5)
    second = course.rotation(360.0)
    assert_pose(second.pose, course.axis)
    assert second.rotation.readings <= first.rotation.readings + 10
    # nothing was adjusted between: the later one is what was found
    assert second.as_found is not None
    assert second.as_found.pose == second.pose
    assert second.as_left is None
