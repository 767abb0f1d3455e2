"""Soft feet are looked for: the axis moves as a frame on springs lets it when a bolt is loosened."""

from dataclasses import replace
from typing import Any

import pytest

from livealign.session.engine import Session
from livealign.snapshot import Snapshot, SoftFootState, encode
from livealign_simulators.frame import Frame, Pipe, Side, level_frame
from session.bench import FACING, FEET, Course, Line, job_of, rig_of

BOLTS: list[tuple[str, Side]] = [(plane, side) for plane in FEET for side in ("left", "right")]


def frame_of(gap_mm: float = 0.0, **more: Any) -> Frame:
    """A frame whose far right foot stands over a gap."""
    frame = level_frame(list(FEET.items()))
    feet = [*frame.feet[:3], replace(frame.feet[3], floor_mm=-gap_mm)]
    return replace(frame, feet=tuple(feet), **more)


class Shop:
    """A course, and the frame that carries its axis."""

    def __init__(self, frame: Frame, parked_deg: float = 0.0, units: str = "mm") -> None:
        self.course = Course(job_of(units=units), angle_deg=parked_deg)
        self.base = self.course.axis
        self.frame, self.zero = frame.settled()

    def stand(self, frame: Frame) -> None:
        self.frame, resting = frame.settled()
        one, other = self.zero.line, resting.line
        to = Line(
            self.base.up + float(other.z_mm - one.z_mm),
            self.base.rise + 1000 * float(other.z_slope - one.z_slope),
            self.base.right + float(other.y_mm - one.y_mm),
            self.base.swing + 1000 * float(other.y_slope - one.y_slope),
        )
        self.course.run(0.6, to=to)

    def told(self, seconds: float = 2.6) -> Snapshot:
        return self.course.run(seconds)[-1]

    def say(self, action: str, plane: str = "", side: Side | None = None, **more: Any) -> Snapshot:
        return self.course.command("soft_foot", action=action, foot=plane, side=side, **more)

    def round(self, *, gauge: bool = False) -> tuple[SoftFootState, ...]:
        self.say("begin")
        self.told()
        for plane, side in BOLTS:
            self.say("loosen", plane, side)
            self.stand(self.frame.bolted(plane, side, tight=False))
            self.told()
            if gauge:
                found = next(f for f in self.frame.settled()[1].feet if (f.plane, f.side) == (plane, side))
                gaps = (found.gap_inner_mm,) * 2 + (found.gap_outer_mm,) * 2
                self.say("gauge", plane, side, gaps_mm=tuple(round(g, 2) for g in gaps))
            self.say("tighten")
            self.stand(self.frame.bolted(plane, side, tight=True))
            self.told()
        return self.say("end").soft_foot.feet


def test_a_short_foot_is_found_shimmed_and_gone_in_the_second_round() -> None:
    shop = Shop(frame_of(0.15))
    shop.course.run(0.2)
    assert "begin to look" in shop.course.objection("soft_foot", action="end")
    first = shop.round(gauge=True)
    assert [f.kind for f in first] == ["parallel", "none", "none", "parallel"]
    far_right = first[3]
    assert far_right.rise_mm is not None
    assert far_right.rise_mm == pytest.approx(0.15, abs=0.02)
    assert far_right.rise_u_mm is not None
    assert abs(far_right.rise_mm - 0.15) < 2 * far_right.rise_u_mm
    assert far_right.gaps_mm == (0.13, 0.13, 0.13, 0.13)
    assert far_right.shim_mm == pytest.approx(0.13)
    assert (far_right.bolt, far_right.left_mm) == ("tightened", pytest.approx(0.0, abs=0.003))
    assert all(f.rise_mm is not None and f.rise_mm < 0.02 for f in first[1:3])
    shop.stand(shop.frame.shimmed("far feet", 0.13, "right"))
    second = shop.round()
    assert [f.kind for f in second] == ["none"] * 4
    assert second[3].words == f"in order (was {far_right.rise_mm:.2f} mm)"
    assert second[3].before_mm == far_right.rise_mm
    # all of it again, from the events alone
    fresh = Session(job_of(), rig_of(FACING), snapshots_per_s=5.0)
    assert [s for e in shop.course.events if (s := fresh.feed(e))][-1].soft_foot.feet == second
    assert encode(fresh.snapshot(shop.course.now_ns)) == encode(
        shop.course.session.snapshot(shop.course.now_ns)
    )


def test_a_pipe_that_lifts_one_end_is_no_short_foot() -> None:
    feet = Shop(frame_of(pipes=(Pipe(900.0, 2e4, free_z_mm=1.0),)), units="inch").round()
    assert [f.kind for f in feet] == ["none", "none", "induced", "induced"]
    assert "look at piping, coupling and base before any shim" in feet[2].words


def test_what_the_person_is_told_on_the_way_and_what_is_refused() -> None:
    shop = Shop(frame_of(0.15))
    course = shop.course
    near_left: dict[str, Any] = {"foot": "near feet", "side": "left"}
    assert shop.say("begin").soft_foot.words == "wait until the readings are at rest"
    assert "at rest" in course.objection("soft_foot", action="loosen", **near_left)
    rested = shop.told().soft_foot
    assert (rested.at_rest, rested.words, rested.round) == (True, "next: near feet, left", 1)
    for wrong, said in (
        ({"action": "begin"}, "already"),
        ({"action": "tighten"}, "no bolt is loose"),
        ({"action": "loosen", "foot": "middle feet", "side": "left"}, "no such foot"),
        ({"action": "gauge", **near_left, "gaps_mm": (0.1, 0.1)}, "four gaps are wanted"),
        ({}, "begin, loosen, tighten, gauge or end"),
    ):
        assert said in course.objection("soft_foot", **wrong)
    assert "soft feet are being looked for" in course.objection("begin_rotation")
    shop.say("loosen", "near feet", "left")
    assert "all others stay tight" in shop.told(0.4).soft_foot.words
    assert "one bolt at a time" in course.objection(
        "soft_foot", action="loosen", foot="far feet", side="left"
    )
    assert "must be tightened first" in course.objection("soft_foot", action="end")
    # He is late: the bolt is tight again before he says so. The rise at rest counts all the same.
    shop.stand(shop.frame.bolted("near feet", "left", tight=False))
    assert "feeler gauge, then tighten it" in shop.told().soft_foot.words
    shop.stand(shop.frame.bolted("near feet", "left", tight=True))
    shop.told()
    late = shop.say("tighten").soft_foot
    assert late.feet[0].rise_mm == pytest.approx(0.15, abs=0.02)
    assert late.words == "wait until the readings are at rest"


def test_parked_where_up_and_down_is_not_seen_nothing_is_known() -> None:
    shop = Shop(frame_of(0.15), parked_deg=80.0)
    shop.say("begin")
    assert "park the shafts nearer" in shop.told().soft_foot.words
    shop.say("loosen", "far feet", "right")
    shop.stand(shop.frame.bolted("far feet", "right", tight=False))
    blind = shop.told().soft_foot.feet[3]
    assert (blind.rise_mm, blind.kind) == (None, "not known")


def test_a_job_is_not_verified_by_a_rotation_before_the_feet_were_touched() -> None:
    shop = Shop(frame_of())
    shop.course.axis = shop.base = Line(up=0.005)
    shop.course.rotation()
    shop.course.park(0.0)
    shop.say("begin")
    shop.say("end")
    assert "turn once more" in shop.course.objection("close_out", state="verified", who="Anne")
