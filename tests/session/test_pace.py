"""When snapshots are made, and that the same events make the same ones."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.session.engine import Session
from livealign.session.events import Command, Event, Tick
from livealign.snapshot import Snapshot, encode
from livealign.stream.contracts import Frame, LinkEvent
from session.bench import FACING, Course, job_of, rig_of


def session(snapshots_per_s: float = 50.0) -> Session:
    return Session(job_of(), rig_of(FACING), snapshots_per_s=snapshots_per_s)


def fed(events: list[Event], snapshots_per_s: float = 5.0) -> list[Snapshot]:
    one = session(snapshots_per_s)
    return [s for s in map(one.feed, events) if s is not None]


def a_job() -> list[Event]:
    course = Course(job_of())
    course.rotation(120.0)
    course.park(0.0)
    course.command("adjust", plane="vertical")
    course.run(1.0)
    course.run(0.5, to=course.axis.moved(up=(0.1, -0.2)))
    course.tick(0.5)
    course.run(2.0)
    course.command("note", text="done")
    return course.events


EVENTS = a_job()


def test_frames_make_at_most_fifty_snapshots_a_second() -> None:
    one = session()
    times = []
    for i in range(4000):
        snapshot = one.feed(Frame("head S", b"#\n", i * 1_000_000))
        if snapshot is not None:
            times.append(i)
    assert 190 <= len(times) <= 201
    assert min(np.diff(times)) >= 20


def test_a_snapshot_held_back_goes_out_with_the_tick_that_was_wanted() -> None:
    one = session()
    assert one.due_ns is None
    first = one.feed(Frame("head S", b"#\n", 0))
    assert first is not None
    assert one.due_ns is None
    assert one.feed(Frame("head S", b"#\n", 1_000_000)) is None
    assert one.due_ns == 20_000_000
    assert one.feed(Tick(19_000_000)) is None
    second = one.feed(Tick(20_000_000))
    assert second is not None
    assert second.sequence == first.sequence + 1
    assert one.due_ns is None
    assert second.links[0].counters.frames == 2


def test_idle_time_makes_five_snapshots_a_second() -> None:
    one = session()
    got = [one.feed(Tick(i * 10_000_000)) for i in range(500)]
    assert 20 <= len([s for s in got if s is not None]) <= 26


def test_commands_and_link_events_are_answered_at_once() -> None:
    one = session()
    assert one.feed(LinkEvent("head S", "open", 5)) is not None
    assert one.feed(Command("note", 6, text="now")) is not None
    assert one.feed(LinkEvent("head M", "open", 7)) is not None


def test_time_never_runs_back_and_sequence_numbers_have_no_gap() -> None:
    got = fed(EVENTS)
    assert [s.sequence for s in got] == list(range(1, len(got) + 1))
    times = [s.time_s for s in got]
    assert times == sorted(times)
    late = session()
    late.feed(Tick(5_000_000_000))
    early = late.feed(Command("note", 1_000_000_000, text="late in coming"))
    assert early is not None
    assert early.time_s == 5.0


def test_the_same_events_give_the_same_bytes() -> None:
    first, second = ([encode(s) for s in fed(EVENTS)] for _ in range(2))
    assert len(first) > 30
    assert first == second
    assert not any(b"NaN" in s or b"Infinity" in s for s in first)


@pytest.mark.parametrize("size", [5, 33])
def test_how_payloads_are_cut_hardly_matters(size: int) -> None:
    whole = fed(EVENTS)[-1]
    cut: list[Event] = []
    for event in EVENTS:
        if isinstance(event, Frame):
            payload = event.payload
            cut += [
                Frame(event.link, payload[i : i + size], event.time_ns) for i in range(0, len(payload), size)
            ]
        else:
            cut.append(event)
    parts = fed(cut)[-1]
    for a, b in ((whole.pose.vertical, parts.pose.vertical), (whole.pose.horizontal, parts.pose.horizontal)):
        assert a.offset_mm == pytest.approx(b.offset_mm, abs=1e-4)
        assert a.slope_mm_per_m == pytest.approx(b.slope_mm_per_m, abs=1e-3)
    assert [link.counters.records for link in parts.links] == [link.counters.records for link in whole.links]


NAMES = st.sampled_from(["head S", "head M"])
STATES = st.sampled_from(["connecting", "open", "silent", "lost", "refused", "ended"])
ANY_EVENTS = st.lists(
    st.one_of(
        st.builds(Frame, NAMES, st.binary(max_size=60), st.integers(0, 10**10)),
        st.builds(Frame, NAMES, st.sampled_from([e.payload for e in EVENTS[100:160] if isinstance(e, Frame)]),
                  st.integers(0, 10**10)),
        st.builds(LinkEvent, NAMES, STATES, st.integers(0, 10**10), st.text(max_size=5), st.integers(0, 9)),
        st.builds(Tick, st.integers(0, 10**10)),
        st.builds(
            Command,
            st.sampled_from(["begin_rotation", "end_rotation", "adjust", "hold", "note"]),
            st.integers(0, 10**10),
            plane=st.sampled_from([None, "vertical", "horizontal"]),
            on=st.booleans(),
            text=st.text(max_size=5),
        ),
    ),
    max_size=40,
)  # fmt: skip


@settings(max_examples=60)
@given(ANY_EVENTS)
def test_no_order_of_events_breaks_it_or_puts_a_wrong_number_into_json(events: list[Event]) -> None:
    first, second = fed(events), fed(events)
    data = [encode(s) for s in first]
    assert data == [encode(s) for s in second]
    assert not any(b"NaN" in s or b"Infinity" in s for s in data)
