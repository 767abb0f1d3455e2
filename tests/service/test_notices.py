"""A loss is told once, a return once."""

from dataclasses import replace

from livealign.config.load import parse_pair
from livealign.service.notices import LinkNotices
from livealign.session.engine import Session
from livealign.session.events import Tick
from livealign.snapshot import Snapshot
from livealign.stream.contracts import LinkEvent
from service.rigs import JOB_TEXT, rig_text

SECOND = 1_000_000_000


def test_a_loss_and_a_return_are_told_once_each() -> None:
    notices = LinkNotices()
    events = [
        LinkEvent("S", "connecting", 0),
        LinkEvent("S", "open", 0),
        LinkEvent("S", "lost", 5 * SECOND, "the cable was pulled: plug it in"),
        LinkEvent("S", "connecting", 6 * SECOND),
        LinkEvent("S", "lost", 7 * SECOND, "the cable was pulled: plug it in"),
        LinkEvent("S", "connecting", 8 * SECOND),
        LinkEvent("S", "open", 9 * SECOND),
    ]
    assert [words for e in events if (words := notices.event(e))] == [
        "link S: open",
        "link S: lost, will be tried again: the cable was pulled: plug it in",
        "link S: back after 4.0 s",
    ]


def test_drops_are_told_once() -> None:
    notices = LinkNotices()
    told = [notices.event(LinkEvent("S", "open", n, dropped=5)) for n in range(3)]
    assert "5 chunks were dropped" in (told[0] or "")
    assert told[1:] == [None, None]


def test_silence_is_told_from_the_snapshot() -> None:
    notices = LinkNotices()
    notices.event(LinkEvent("S", "open", 0))
    session = Session(*parse_pair(JOB_TEXT, rig_text(), "job", "rig"))
    session.feed(LinkEvent("S", "open", 0))
    silent = session.feed(Tick(3 * SECOND))
    assert silent is not None
    assert [w[:14] for w in notices.snapshot(silent)] == ["link S: silent"]
    assert notices.snapshot(silent) == []
    assert [w[:12] for w in notices.snapshot(_speaking(silent))] == ["link S: back"]


def test_a_head_that_does_not_answer_is_told_as_such() -> None:
    notices = LinkNotices()
    session = Session(*parse_pair(JOB_TEXT, rig_text(), "job", "rig"))
    told: list[str | None] = []
    for event in (LinkEvent("S", "open", 0), LinkEvent("S", "open", SECOND // 2, "the head does not answer")):
        session.feed(event)
        told.append(notices.event(event))
    assert told == ["link S: open", "link S: the head does not answer"]
    silent = session.feed(Tick(3 * SECOND))
    assert silent is not None
    assert next(link for link in silent.links if link.name == "S").detail == "the head does not answer"
    assert "Link S: the head does not answer" in silent.advice
    assert notices.snapshot(silent) == [
        "link S: silent: it is open but nothing comes: the head does not answer"
    ]
    # Told later than the silence, it is no return.
    late = LinkEvent("S", "open", 4 * SECOND, "the head still does not answer")
    session.feed(late)
    assert notices.event(late) == "link S: the head still does not answer"
    silent = session.feed(Tick(5 * SECOND))
    assert silent is not None
    assert next(link for link in silent.links if link.name == "S").state == "silent"
    assert notices.snapshot(silent) == []


def _speaking(snapshot: Snapshot) -> Snapshot:
    links = tuple(replace(link, state="open") if link.name == "S" else link for link in snapshot.links)
    return replace(snapshot, links=links)
