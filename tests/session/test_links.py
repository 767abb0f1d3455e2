"""Links that come and go, lose and spoil."""

from typing import Any

import numpy as np
import pytest

from livealign.config.rig import Spec
from livealign.session.engine import Session
from livealign.session.links import LinkBook
from livealign.stream.contracts import Frame, LinkEvent
from livealign.stream.reader import LinkReader
from livealign.stream.registry import format_class
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from session.bench import FACING, Course, Head, Line, adjusting, assert_pose, job_of, rig_of

AXIS = Line(up=0.30, rise=0.4, right=-0.15, swing=-0.2)


class Spoiler:
    """Flips one bit in about one line of a hundred."""

    def __init__(self, share: float = 0.01) -> None:
        self.rng = np.random.default_rng(7)
        self.share = share
        self.spoilt = {h.name: 0 for h in FACING}
        self.seen = dict(self.spoilt)

    def __call__(self, link: str, line: bytes) -> bytes:
        self.seen[link] += 1
        if self.seen[link] == 1 or self.rng.random() > self.share:
            return line
        self.spoilt[link] += 1
        at = int(self.rng.integers(0, len(line) - 4))
        return line[:at] + bytes([line[at] ^ 1]) + line[at + 1 :]


def test_spoilt_lines_are_counted_and_never_in_the_fit() -> None:
    spoiler = Spoiler()
    course = Course(job_of(), axis=AXIS, mangle=spoiler)
    found = course.rotation()
    assert_pose(found.pose, AXIS)
    assert sum(spoiler.spoilt.values()) > 10
    for link in found.links:
        assert link.counters.bad == spoiler.spoilt[link.name]
        assert link.counters.records == spoiler.seen[link.name] - spoiler.spoilt[link.name]
        assert link.counters.missed == 0
        assert link.last_bad
    assert found.rotation.readings == sum(spoiler.seen.values()) - sum(spoiler.spoilt.values())
    assert found.rotation.left_out == 0


def test_a_link_lost_in_mid_rotation_costs_only_its_readings() -> None:
    course = Course(job_of(), axis=AXIS)
    course.command("begin_rotation")
    course.run(4.0, turn_deg_s=40.0)
    lost = course.link("head M", "lost", "the cable is out")
    assert lost.links[1].state == "lost"
    assert lost.advice[0] == "Link head M: the cable is out"
    alone = course.run(2.0, turn_deg_s=40.0)[-1]
    assert {c.name: c.flags for c in alone.channels}["head M position"] == ("silent",)
    assert {c.name: c.value for c in alone.channels}["head M position"] is None
    back = course.link("head M", "open")
    assert back.links[1].counters.reconnects == 1
    course.run(4.0, turn_deg_s=40.0)
    found = course.command("end_rotation")
    assert_pose(found.pose, AXIS)
    assert found.links[1].counters.missed == 0  # the loss was told; it is no gap besides


@pytest.mark.parametrize("moved", [False, True])
def test_a_link_lost_in_mid_adjustment_leaves_the_pose_as_good_as_before(*, moved: bool) -> None:
    course = adjusting(0.0, "vertical")
    course.run(0.5, to=course.axis.moved(up=(-0.2, -0.3)))
    course.run(2.0)
    course.link("head S", "lost", "the cable is out")
    course.run(1.0)
    if moved:
        course.run(0.5, to=course.axis.moved(up=(0.1, -0.1)))
    course.run(1.0)
    course.link("head S", "open")
    after = course.run(3.0)[-1]
    assert after.machine_state == "settled"
    assert_pose(after.pose, course.axis)


def test_ticks_notice_a_link_that_has_fallen_silent() -> None:
    course = Course(job_of(), snapshots_per_s=50.0)
    course.run(2.0)
    quiet = course.tick(3.0)
    first = next(s for s in quiet if s.links[0].state == "silent")
    assert 1.0 <= first.time_s - 2.0 <= 1.5
    assert "is the head switched on" in first.links[0].detail
    assert first.links[0].since_s == pytest.approx(2.0, abs=0.05)
    assert {c.flags for c in first.channels} == {("silent",)}
    assert first.advice[0].startswith("Link head S: open, but nothing comes")
    again = course.run(0.5)[-1]
    assert [link.state for link in again.links] == ["open", "open"]
    assert again.links[0].detail == ""
    assert again.links[0].counters.reconnects == 0


def test_rates_and_clock_uncertainty_are_told() -> None:
    told = Course(job_of()).run(10.0)[-1]
    for link in told.links:
        assert link.rate_hz == pytest.approx(100.0, rel=0.03)
        assert link.clock_u_ms is not None
        assert 0.2 < link.clock_u_ms < 3.0
    assert {c.rate_hz for c in told.channels if c.rate_hz} <= {*np.round(np.arange(97.0, 103.1, 0.1), 1)}


def test_dropped_frames_are_counted_and_the_halves_of_lines_are_not_joined() -> None:
    """Without a checksum a line's start and another's end would make a number."""
    reader = LinkReader(
        DelimitedFormat(DelimitedOptions(columns=("count", "spot"))),
        clock=None,
        sequence=("count", 16),
        nominal_rate_hz=None,
        device_time=False,
    )
    book = LinkBook("head S", reader)
    book.event(LinkEvent("head S", "open", 0), 0.0)
    assert reader.read(b"1,10\n2,20\n3,3", 0.1) is not None
    book.event(LinkEvent("head S", "open", 0, dropped=4), 0.2)
    batch = reader.read(b"0000\n7,70\n", 0.3)
    assert batch is not None
    assert batch.columns["spot"].tolist() == [70.0]
    assert book.status(0.3).counters.dropped == 4
    assert book.status(0.3).counters.reconnects == 0


def test_telling_drops_of_a_silent_link_is_no_reconnection() -> None:
    course = Course(job_of(), snapshots_per_s=50.0)
    course.run(1.0)
    assert course.tick(2.0)[-1].links[0].state == "silent"
    told = course.link("head S", "open", dropped=3)
    assert told.links[0].counters.reconnects == 0
    assert told.links[0].counters.dropped == 3


def test_a_head_without_a_clock_on_another_link_is_paired_by_arrival() -> None:
    heads = (Head("head S", "stationary", -130.0, angle=False), Head("head M", "movable", 130.0))
    course = Course(job_of(heads), heads, axis=AXIS, clock=False)
    found = course.rotation(200.0, 20.0)
    assert found.pose.vertical.offset_mm == pytest.approx(AXIS.up, abs=0.01)
    assert found.pose.vertical.slope_mm_per_m == pytest.approx(AXIS.rise, abs=0.05)
    assert found.pose.horizontal.offset_mm == pytest.approx(AXIS.right, abs=0.01)
    assert found.links[0].clock_u_ms is None


@pytest.mark.parametrize(
    "spoken",
    [
        {
            "kind": "binary",
            "framing": "message",
            "layout": "<HIff",
            "columns": ["count", "ms", "angle", "position"],
        },
        {"kind": "senml", "framing": "message", "fields": ["count", "ms", "angle", "position"]},
    ],
    ids=lambda spoken: spoken["kind"],
)
def test_messages_that_wait_together_are_read_each_by_itself(spoken: dict[str, Any]) -> None:
    """Fifty snapshots a second and a hundred messages: two wait for each."""
    rig = rig_of(FACING)
    links = tuple(x.model_copy(update={"format": Spec.model_validate(spoken)}) for x in rig.links)
    session = Session(job_of(), rig.model_copy(update={"links": links}))
    made = format_class(spoken["kind"])
    device = made(made.options_model.model_validate({k: v for k, v in spoken.items() if k != "kind"}))
    for head in FACING:
        session.feed(LinkEvent(head.name, "open", 0))
    for n in range(1, 101):
        fields = {"count": float(n), "ms": 10.0 * n, "angle": 90.0, "position": 1.0}
        for head in FACING:
            session.feed(Frame(head.name, device.encode(fields), n * 10_000_000))
    for link in session.snapshot(1_100_000_000).links:
        assert (link.counters.records, link.counters.bad, link.counters.missed) == (100, 0, 0)
