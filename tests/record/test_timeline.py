"""The course of a recording that is to be played again."""

import pytest

from livealign.record.reader import RecordedSnapshot
from livealign.record.timeline import Cut, timeline
from livealign.session.events import Command, Tick
from livealign.stream.contracts import Frame, LinkEvent

S = 1_000_000_000
ITEMS = [
    Tick(0),
    LinkEvent("S", "connecting", 0),
    LinkEvent("S", "open", S),
    RecordedSnapshot(b"{}", S),
    Frame("S", b"1\n", 2 * S),
    Command("begin_rotation", 3 * S),
    Tick(9 * S),
    Frame("S", b"2\n", 13 * S),
    LinkEvent("S", "lost", 14 * S),
    Frame("M", b"3\n", 20 * S),
]


def course(**cut):
    return [(due_ns / S, item) for due_ns, item in timeline(ITEMS, Cut(**cut))]


def test_all_that_came_and_was_asked_is_played_at_its_time():
    assert course() == [(i.time_ns / S, i) for i in ITEMS if isinstance(i, Frame | LinkEvent | Command)]


def test_a_part_begins_with_what_the_links_were_then():
    assert course(from_s=2.5, to_s=14.0) == [
        (0.0, ITEMS[2]),
        (0.5, ITEMS[5]),
        (10.5, ITEMS[7]),
        (11.5, ITEMS[8]),
    ]
    assert course(from_s=99) == []


@pytest.mark.parametrize(
    ("dead_s", "times"), [(100, [0, 1, 2, 3, 13, 14, 20]), (4, [0, 1, 2, 3, 7, 8, 12]), (0, [0] * 7)]
)
def test_dead_time_is_shortened_whatever_the_clock_ticked_meanwhile(dead_s, times):
    assert [due_s for due_s, _ in course(dead_time_s=dead_s)] == times
