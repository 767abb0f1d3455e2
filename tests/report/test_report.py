"""The report of a session: one file that tells it all, and holds what it says."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import html5lib
import pytest
from click.testing import CliRunner, Result

from livealign.cli import main
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.record.writer import Recorder
from livealign.report.collect import collect
from livealign.report.page import make_report
from livealign.session.engine import Session
from livealign.snapshot import decode, encode
from service.rigs import JOB_TEXT, rig_text
from session.bench import FACING, Course, Line, job_of, rig_of

AXIS = Line(up=0.30, rise=0.4, right=-0.15, swing=-0.2)
RIG_TEXT = re.sub(r'(name|link) = "([SM])"', r'\1 = "head \2"', rig_text())
"""The example, its links named as the bench's are."""
HOSTILE = 'fan <script>alert("x")</script> & co'


def record(path: Path, course: Course, job_text: str, rig_text_: str) -> Path:
    """Write a course's events with the snapshots they give."""
    session = Session(course.job, rig_of(FACING), snapshots_per_s=course.snapshots_per_s)
    with Recorder(
        path,
        start_unix_ns=1_772_360_100_000_000_000,
        job_text=job_text,
        rig_text=rig_text_,
        snapshots_per_s=5.0,
    ) as recorder:
        for event in course.events:
            recorder.event(event)
            snapshot = session.feed(event)
            if snapshot is not None:
                recorder.snapshot(encode(snapshot), event.time_ns)
    return path


@pytest.fixture(scope="module")
def session_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Measured twice, raised, shifted, verified, with notes."""
    course = Course(job_of(), axis=AXIS)
    course.rotation(speed_deg_s=180.0)
    course.rotation(speed_deg_s=180.0)
    course.command("note", text=HOSTILE)
    course.park(0.0)
    course.command("adjust", plane="vertical")
    course.run(4.0)
    course.run(1.0, to=course.axis.moved(up=(-0.43, -0.60)))
    course.run(4.0)
    course.park(90.0)
    course.command("adjust", plane="horizontal")
    course.run(2.0)
    course.run(1.0, to=course.axis.moved(right=(0.216, 0.30)))
    course.run(3.0)
    course.rotation(speed_deg_s=180.0)
    return record(tmp_path_factory.mktemp("session") / "fan.mcap", course, JOB_TEXT, RIG_TEXT)


@pytest.fixture(scope="module")
def page(session_file: Path) -> str:
    """The report of it."""
    return make_report(Recording(session_file)).html


@pytest.fixture
def livealign() -> Callable[..., Result]:
    return lambda *arguments: CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


def test_the_course_is_told_in_order(session_file: Path) -> None:
    course = collect(Recording(session_file))
    assert len(course.turns) == 3
    assert min(t.snapshot.rotation.arc_deg for t in course.turns) > 355.0
    assert [a.plane for a in course.adjustments] == ["vertical", "horizontal"]
    assert [n.text for n in course.notes] == [HOSTILE]
    assert len(course.repeats) == 1
    one, other = course.repeats[0]
    assert (one, other) == (course.turns[0], course.turns[1])
    first = course.adjustments[0].points
    assert first[0].pose.offset_mm == pytest.approx(0.30, abs=0.02)
    assert first[-1].pose.offset_mm == pytest.approx(0.30 - 0.43 + 0.17 / 420 * 330, abs=0.03)
    last = [i for i in Recording(session_file).items() if isinstance(i, RecordedSnapshot)][-1]
    assert course.last == decode(last.encoded)


def test_the_page_is_sound_html_that_needs_nothing_else(page: str) -> None:
    html5lib.HTMLParser(strict=True).parse(page)
    assert not re.search(r'(src|href)="(?!#)', page), "nothing is loaded from elsewhere"
    assert "<script" not in page
    assert "fan &lt;script&gt;" in page
    assert page.count("<svg") == 1 + 3 + 2
    for words in (
        "As found",
        "As left",
        "Repeatability",
        "Lock out and tag out",
        "IEC 60825-1",
        "aligned by, date",
    ):
        assert words in page


def test_what_it_says_is_what_was_concluded_in_either_units(session_file: Path, page: str) -> None:
    last = collect(Recording(session_file)).last
    assert last is not None
    assert last.as_found is not None
    assert last.as_left is not None
    assert f"{last.as_found.pose.vertical.offset_mm:+.3f} mm ±" in page
    assert f">{last.as_left.verdict.state}</span>" in page
    assert last.as_found.feet[1].vertical_words in page

    inch = make_report(Recording(session_file), "inch")
    assert f"{last.as_found.pose.vertical.offset_mm / 0.0254:+.2f} mil ±" in inch.html
    plain = json.loads(inch.json)
    assert plain["as_left"]["pose"]["vertical"]["offset_mm"] == last.as_left.pose.vertical.offset_mm


def test_the_same_session_gives_the_same_report_and_none_is_written_over(
    session_file: Path, page: str, tmp_path: Path, livealign: Callable[..., Result]
) -> None:
    assert livealign("report", session_file, "--output", tmp_path / "one.html").exit_code == 0
    assert (tmp_path / "one.html").read_text(encoding="utf-8") == page
    assert json.loads((tmp_path / "one.json").read_text(encoding="utf-8"))["schema"] == "livealign.report/1"
    again = livealign("report", session_file, "--output", tmp_path / "one.html")
    assert again.exit_code == 1
    assert "--force" in again.output


def test_a_session_without_a_result_says_so(tmp_path: Path, livealign: Callable[..., Result]) -> None:
    course = Course(job_of(), axis=AXIS)
    course.run(0.5)
    whole = record(tmp_path / "short.mcap", course, JOB_TEXT, RIG_TEXT)
    whole.write_bytes(whole.read_bytes()[:-2000])
    assert livealign("report", whole).exit_code == 0
    text = whole.with_suffix(".html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert "No rotation was brought to an end" in text
    assert "The recording ends early" in text
