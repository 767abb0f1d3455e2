"""From a recording to what a report tells."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from livealign.record.reader import RecordedSnapshot, Recording
from livealign.session.events import Command
from livealign.snapshot import Finding, Phase, Plane, PlanePose, Snapshot, decode

__all__ = ["Adjustment", "Course", "Note", "Point", "Turn", "collect"]

_EVERY_S = 0.5
"""Of snapshots that follow each other closely one is read."""


@dataclass(frozen=True, slots=True)
class Turn:
    """A rotation at its end."""

    time_s: float
    snapshot: Snapshot


@dataclass(frozen=True, slots=True)
class Point:
    """The adjusted plane at one moment."""

    time_s: float
    pose: PlanePose
    state: str


@dataclass(slots=True)
class Adjustment:
    """A stretch of following one plane."""

    plane: Plane
    points: list[Point] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Note:
    """What the person wrote down."""

    time_s: float
    text: str


@dataclass(slots=True)
class Course:
    """What happened, in order."""

    turns: list[Turn] = field(default_factory=list)
    adjustments: list[Adjustment] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    as_found: Finding | None = None
    as_left: Finding | None = None
    last: Snapshot | None = None
    torn: str | None = None

    @property
    def repeats(self) -> list[tuple[Turn, Turn]]:
        """Turns that follow each other with nothing adjusted between: what they differ by is repeatability."""
        moved = [(a.points[0].time_s, a.points[-1].time_s) for a in self.adjustments if a.points]
        return [
            (one, other)
            for one, other in zip(self.turns, self.turns[1:], strict=False)
            if not any(one.time_s <= start and end <= other.time_s for start, end in moved)
        ]


def collect(recording: Recording) -> Course:
    """Read a recording once; one that is torn is used up to there."""
    course = Course()
    for snapshot in _snapshots(recording, course):
        _follow(course, snapshot)
    course.torn = recording.torn
    return course


def _snapshots(recording: Recording, course: Course) -> Iterator[Snapshot]:
    """Yield enough of the snapshots: now and then one, and those before and after every command."""
    waiting: RecordedSnapshot | None = None
    after_command = False
    read_s = -_EVERY_S
    for item in recording.items():
        if isinstance(item, RecordedSnapshot):
            if after_command or item.time_ns / 1e9 - read_s >= _EVERY_S:
                read_s, waiting, after_command = item.time_ns / 1e9, None, False
                yield decode(item.encoded)
            else:
                waiting = item
        elif isinstance(item, Command):
            if item.name == "note":
                course.notes.append(Note(item.time_ns / 1e9, item.text))
            if waiting is not None:
                yield decode(waiting.encoded)
            waiting, after_command = None, True
    if waiting is not None:
        yield decode(waiting.encoded)


def _follow(course: Course, snapshot: Snapshot) -> None:
    before: Phase = course.last.phase if course.last else "ready"
    if snapshot.phase == "findings" and before == "rotation":
        course.turns.append(Turn(snapshot.time_s, snapshot))
    if snapshot.phase == "adjust":
        same = course.adjustments and before == "adjust" and course.adjustments[-1].plane == snapshot.plane
        if not same:
            course.adjustments.append(Adjustment(snapshot.plane))
        pose = snapshot.pose.vertical if snapshot.plane == "vertical" else snapshot.pose.horizontal
        course.adjustments[-1].points.append(Point(snapshot.time_s, pose, snapshot.machine_state))
    course.as_found, course.as_left, course.last = snapshot.as_found, snapshot.as_left, snapshot
