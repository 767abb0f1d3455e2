"""A person works off the checklist, and closes the job."""

from pathlib import Path
from typing import Any

import pytest

from livealign.config.load import parse_checklist
from livealign.record.reader import Recording
from livealign.record.replay import verify
from livealign.record.writer import Recorder
from livealign.session.engine import Session
from livealign.snapshot import ReadinessItem, Snapshot, encode
from session.bench import FACING, Course, Line, job_of, rig_of

PLANT = """schema = "livealign.checklist/1"
name = "pump house"
[[items]]
id = "lockout"
title = "Locked out"
text = "Nothing moves when the start button is pressed."
safety = true
[[items]]
id = "guards"
title = "Guards off only where one works"
text = "They are kept together."
safety = true
[[items]]
id = "runout"
title = "Runout read"
text = "Total reading on the rims."
limit_mm = 0.05
source = "plant standard 12"
"""
CHECKLIST = parse_checklist(PLANT, "plant.toml")
ANNE: dict[str, Any] = {"who": "Anne"}


def item(snapshot: Snapshot, name: str) -> ReadinessItem:
    return next(i for i in snapshot.readiness if i.id == name)


def test_each_item_is_checked_off_with_a_name_and_a_time() -> None:
    course = Course(job_of(), checklist=CHECKLIST)
    ready = course.run(1.0)[-1]
    assert [i.state for i in ready.readiness] == ["open"] * 3
    assert ready.advice[0] == "Safety first, still open: locked out and 1 more (page Readiness)."
    assert "a name is needed" in course.objection("check_off", item="lockout", state="done", who=" ")
    assert "no item 'luck'" in course.objection("check_off", item="luck", state="done", **ANNE)
    assert "open, done or not applicable" in course.objection("check_off", item="lockout", **ANNE)
    done = course.command("check_off", item="lockout", state="done", text=" tag 7 ", **ANNE)
    assert item(done, "lockout").time_s == pytest.approx(1.0, abs=0.05)
    assert item(done, "lockout") == ReadinessItem(
        "lockout",
        "Locked out",
        "Nothing moves when the start button is pressed.",
        safety=True,
        state="done",
        who="Anne",
        time_s=item(done, "lockout").time_s,
        note="tag 7",
    )
    assert "why it does not apply" in course.objection(
        "check_off", item="guards", state="not applicable", **ANNE
    )
    course.command("check_off", item="guards", state="not applicable", text="it has none", **ANNE)
    assert course.run(0.5)[-1].advice[0].startswith("Begin a rotation")
    again = course.command("check_off", item="lockout", state="open", text="power is back", **ANNE)
    assert item(again, "lockout").state == "open"
    assert again.advice[0] == "Safety first, still open: locked out (page Readiness)."


@pytest.mark.parametrize(
    ("units", "said"),
    [
        ("mm", "0.08 mm is more than the limit of 0.05 mm"),
        ("inch", "3.0 mil is more than the limit of 2.0 mil"),
    ],
)
def test_what_has_a_limit_is_checked_off_with_a_value_inside_it(units: str, said: str) -> None:
    course = Course(job_of(units=units), checklist=CHECKLIST)
    runout = {"item": "runout", "state": "done", **ANNE}
    assert "say what was measured" in course.objection("check_off", **runout)
    assert f"{said} (plant standard 12)" in course.objection("check_off", **runout, value_mm=0.076)
    assert "not below zero" in course.objection("check_off", **runout, value_mm=-0.01)
    assert item(course.command("check_off", **runout, value_mm=0.05), "runout").value_mm == 0.05


def test_a_job_is_closed_as_verified_only_when_it_is_safe_and_a_rotation_conforms() -> None:
    course = Course(job_of(), checklist=CHECKLIST, axis=Line(up=0.3))
    verified: dict[str, Any] = {"state": "verified", **ANNE}
    for name in ("lockout", "guards"):
        assert "safety items are still open" in course.objection("close_out", **verified)
        course.command("check_off", item=name, state="done", **ANNE)
    assert "a rotation must verify" in course.objection("close_out", **verified)
    course.rotation()
    assert "the last rotation says not conforming" in course.objection("close_out", **verified)
    assert "say why it is closed" in course.objection("close_out", state="not verified", **ANNE)
    course.axis = Line(up=0.005)
    course.rotation()
    course.command("check_off", item="lockout", state="open", who="Bo")
    assert "still open: Locked out" in course.objection("close_out", **verified)
    course.command("check_off", item="lockout", state="done", **ANNE)
    assert "a name is needed" in course.objection("close_out", state="verified")
    assert "verified or not verified" in course.objection("close_out", who="Anne")
    closed = course.command("close_out", **verified).closed
    assert closed is not None
    assert (closed.state, closed.who) == ("verified", "Anne")
    assert closed.time_s == pytest.approx(course.now_ns / 1e9, abs=0.05)
    # nothing more is done to a closed job, until somebody opens it again; a remark is always taken
    assert "closed already" in course.objection("close_out", **verified)
    assert course.objection("begin_rotation") == "the job is closed: open it again first"
    assert course.command("note", text="guards are on again").closed is not None
    assert course.command("close_out", on=False).closed is None
    assert "is not closed" in course.objection("close_out", on=False)
    course.command("adjust", plane="vertical")
    assert "a rotation must verify" in course.objection("close_out", **verified)
    given_up = course.command("close_out", state="not verified", text="the pipe pulls", who="Bo").closed
    assert given_up is not None
    assert given_up.note == "the pipe pulls"


def test_the_list_is_in_the_recording_and_gives_the_same_snapshots_again(tmp_path: Path) -> None:
    course = Course(job_of(), checklist=CHECKLIST)
    course.run(0.3)
    course.command("check_off", item="runout", state="done", value_mm=0.04, **ANNE)
    course.command("close_out", state="not verified", text="rain", **ANNE)
    path = tmp_path / "job.mcap"
    session = Session(job_of(), rig_of(FACING), CHECKLIST, snapshots_per_s=5.0)
    with Recorder(
        path, start_unix_ns=10**18, job_text="j", rig_text="r", checklist_text=PLANT, snapshots_per_s=5.0
    ) as recorder:
        for event in course.events:
            recorder.event(event)
            if (snapshot := session.feed(event)) is not None:
                recorder.snapshot(encode(snapshot), event.time_ns)
    recording = Recording(path)
    assert recording.checklist_text == PLANT
    fresh = Session(
        job_of(), rig_of(FACING), parse_checklist(recording.checklist_text, ""), snapshots_per_s=5.0
    )
    found = verify(fresh, recording)
    assert (found.difference, found.compared > 3) == (None, True)
