"""Flanges are tightened one after another while the parked shafts are watched."""

from typing import Any

import pytest

from livealign.session.engine import Session
from livealign.snapshot import BoltUp, BoltUpVerdict
from session.bench import FACING, Course, Detector, Head, Line, job_of, rig_of

TWO_AXES = tuple(
    Head(h.name, h.shaft, h.x, (Detector(), Detector("across", axis="tangential"))) for h in FACING
)


class Flange:
    """A pipe that is bolted on; every step moves the shaft."""

    def __init__(self, heads: tuple[Head, ...] = FACING, parked_deg: float = 0.0, units: str = "mm") -> None:
        self.course = Course(job_of(heads, units=units), heads, angle_deg=parked_deg)
        self.course.command("bolt_up", action="begin")
        self.rest()

    def rest(self) -> BoltUp:
        return self.course.run(2.6)[-1].bolt_up

    def step(self, name: str, *, up: float = 0.0, right: float = 0.0) -> BoltUp:
        at = self.course.axis
        self.course.run(0.6, to=Line(at.up + up, at.rise, at.right + right, at.swing))
        self.rest()
        return self.course.command("bolt_up", action="mark", text=name).bolt_up


def test_each_step_has_its_movement_in_both_planes_where_the_rig_sees_both() -> None:
    flange = Flange(TWO_AXES, parked_deg=20.0)
    flange.step("suction flange, bolts 1 and 5", up=0.012, right=-0.004)
    told = flange.step("suction flange, bolts 3 and 7", up=0.006, right=0.011)
    assert [s.name for s in told.steps] == ["suction flange, bolts 1 and 5", "suction flange, bolts 3 and 7"]
    for step, by, since in zip(
        told.steps, [(0.012, -0.004), (0.006, 0.011)], [(0.012, -0.004), (0.018, 0.007)], strict=True
    ):
        for found, (up, right) in ((step.by_step, by), (step.since_begin, since)):
            assert found.vertical_mm is not None
            assert found.vertical_u_mm is not None
            assert found.horizontal_mm is not None
            assert found.horizontal_u_mm is not None
            assert abs(found.vertical_mm - up) < 3 * found.vertical_u_mm < 0.003
            assert abs(found.horizontal_mm - right) < 3 * found.horizontal_u_mm < 0.003
    assert told.verdict == "inside"
    ended = flange.course.command("bolt_up", action="end").bolt_up
    assert (ended.state, ended.verdict, len(ended.steps)) == ("ended", "inside", 2)
    # all of it again, from the events alone
    fresh = Session(job_of(TWO_AXES), rig_of(TWO_AXES), snapshots_per_s=5.0)
    again = [s for e in flange.course.events if (s := fresh.feed(e))][-1]
    assert again.bolt_up == ended


@pytest.mark.parametrize(
    ("parked", "move", "verdict", "said"),
    [
        (0.0, {"up": 0.02}, "undecided", "up and down +0.02 mm +- 0.01; sideways is not seen from here"),
        (0.0, {"up": -0.08}, "beyond", "the shaft is pulled away: up and down -0.08 mm"),
        (90.0, {"right": 0.08}, "beyond", "the shaft is pulled away: sideways +0.08 mm"),
        (90.0, {"up": 0.5}, "undecided", "up and down is not seen from here: do it once more parked at 12"),
        (
            45.0,
            {"up": 0.08},
            "not known",
            "nothing is seen from here: park at 12 or 6 o'clock for up and down",
        ),
    ],
)
def test_facing_heads_see_one_plane_and_say_so(
    parked: float, move: dict[str, float], verdict: BoltUpVerdict, said: str
) -> None:
    told = Flange(parked_deg=parked).step("all bolts", **move)
    assert told.verdict == verdict
    assert said in told.words


def test_a_movement_that_goes_back_counts_all_the_same() -> None:
    flange = Flange(TWO_AXES, units="inch")
    flange.step("bolt 1", up=0.09)
    told = flange.step("bolt 5", up=-0.09)
    assert told.steps[1].since_begin.vertical_mm == pytest.approx(0.0, abs=0.002)
    assert told.verdict == "beyond"
    assert "the shaft is pulled away: up and down +3.5 mil" in told.words
    # loosened, and begun anew
    flange.course.command("bolt_up", action="end")
    anew = flange.course.command("bolt_up", action="begin").bolt_up
    assert (anew.steps, anew.verdict) == ((), "not known")


def test_what_is_refused_in_words() -> None:
    flange = Flange()
    course = flange.course
    for wrong, said in (
        ({"action": "begin"}, "already"),
        ({"action": "mark"}, "say what was tightened"),
        ({"action": "loosen"}, "begin, mark or end"),
    ):
        assert said in course.objection("bolt_up", **wrong)
    assert "while bolts are tightened" in course.objection("begin_rotation")
    assert "while bolts are tightened" in course.objection("soft_foot", action="begin")
    moving: dict[str, Any] = {"action": "mark", "text": "bolt 1"}
    course.run(0.4, to=Line(0.35, 0.4, -0.15, -0.2))
    assert "at rest" in course.objection("bolt_up", **moving)
    course.park(30.0)
    assert flange.rest().words == "the shafts have been turned: loosen, and begin anew"
    course.command("bolt_up", action="end")
    assert "begin to watch" in course.objection("bolt_up", **moving)
    course.command("soft_foot", action="begin")
    assert "soft feet are being looked for" in course.objection("bolt_up", action="begin")
    course.command("soft_foot", action="end")
    course.command("begin_rotation")
    assert "a rotation is being read" in course.objection("bolt_up", action="begin")
