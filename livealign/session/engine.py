"""One job, from the first byte to the last verdict: events in, snapshots out.

Nothing here reads a clock. The same events in the same order give the same snapshots, bit for bit, whether they
come from a live rig, from a recording, or from a test.
"""

from dataclasses import replace

import numpy as np

from livealign.advice import corrections, next_step, readiness, words
from livealign.config.checklist import Checklist
from livealign.config.job import Job
from livealign.config.rig import Rig
from livealign.model.belief import Belief
from livealign.model.coverage import parking
from livealign.model.rig import RigModel
from livealign.model.sweep import SweepFit
from livealign.model.tracker import Track, Tracker
from livealign.session.assessment import Assessment, assess, diameter_m
from livealign.session.bolt_up import BoltUpWatch
from livealign.session.checks import Checks
from livealign.session.events import Command, Event, Tick
from livealign.session.intake import Intake
from livealign.session.rotation import Rotation
from livealign.session.setup import build
from livealign.session.soft_foot import SoftFootSearch
from livealign.snapshot import (
    SCHEMA,
    Finding,
    MachineState,
    Phase,
    Plane,
    Settling,
    Snapshot,
    Verdict,
)
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["Session"]

_JUDGE_EVERY_S = 0.1
"""While a plane is followed the verdict need not be new with every snapshot."""
_MOST_NOTES = 200
_WATCHED = {
    True: "soft feet are being looked for: end that first",
    False: "the shaft is being watched while bolts are tightened: end that first",
}
"""By whether it is soft feet that keep the shafts parked."""


class Session:
    """The course of one job."""

    def __init__(
        self, job: Job, rig: Rig, checklist: Checklist | None = None, *, snapshots_per_s: float = 50.0
    ) -> None:
        """Build a session from its files.

        Args:
            job: what is aligned.
            rig: what reads it.
            checklist: what must be in order; None for a session without one.
            snapshots_per_s: the most there are.

        Raises:
            PersonError: if job and rig do not fit together.
        """
        self._job = job
        self._setup = build(job, rig)
        self._model = self._setup.model
        self._intake = Intake(self._setup.wiring)
        self._least_ns = round(1e9 / snapshots_per_s)
        self._sequence = 0
        self._now_ns = 0
        self._sent_ns: int | None = None
        self._pending = False
        self._phase: Phase = "ready"
        self._plane: Plane = "vertical"
        self._hold = False
        self._rotation = Rotation(job, self._setup, 0.0)
        self._tracker: Tracker | None = None
        self._belief: Belief | None = None
        self._adjusted = False
        self._as_found: Finding | None = None
        self._as_left: Finding | None = None
        self._parked_badly = False
        self._notes: list[str] = []
        self._checks = Checks(checklist, job.units)
        self._soft_foot = SoftFootSearch(self._model, self._setup.feet, job.units)
        self._bolt_up = BoltUpWatch(self._model, job.units)
        self._untouched = False
        """Nothing was loosened or tightened since the last rotation."""
        self._judged_s = -np.inf
        self._assessment: tuple[Belief | None, Assessment] | None = None

    @property
    def model(self) -> RigModel:
        """The rig as the estimator sees it."""
        return self._model

    @property
    def last_fit(self) -> SweepFit | None:
        """Of the last rotation; None before there is one."""
        return self._rotation.fit

    @property
    def due_ns(self) -> int | None:
        """When a tick is wanted so that a snapshot held back goes out; None if none is."""
        return None if not self._pending or self._sent_ns is None else self._sent_ns + self._least_ns

    def feed(self, event: Event) -> Snapshot | None:
        """Take the next event; return a snapshot if one is due."""
        self._now_ns = max(self._now_ns, event.time_ns)
        if not isinstance(event, Frame):
            self._take_readings()
        if isinstance(event, Frame):
            self._intake.frame(event)
        elif isinstance(event, LinkEvent):
            self._intake.link(event)
        elif isinstance(event, Command):
            self._obey(event)
        urgent = isinstance(event, Command | LinkEvent)
        idle = isinstance(event, Tick) and (
            self._sent_ns is None or self._now_ns - self._sent_ns >= 10 * self._least_ns
        )
        self._pending |= isinstance(event, Frame) or idle
        due = self._sent_ns is None or self._now_ns - self._sent_ns >= self._least_ns
        return self.snapshot(self._now_ns) if urgent or (self._pending and due) else None

    def objection(self, command: Command) -> str | None:
        """Say why a command cannot be obeyed now; None if it can."""
        said = self._checks.objection(command, self._verified())
        if said is None and command.name in {"soft_foot", "bolt_up"}:
            return self._bolts_objection(command)
        if said is None and command.name == "note" and not command.text.strip():
            return "the note is empty"
        return said or self._course_objection(command)

    def _bolts_objection(self, command: Command) -> str | None:
        if self._phase == "rotation":
            return "a rotation is being read: end it first"
        soft_foot = command.name == "soft_foot"
        other = self._bolt_up if soft_foot else self._soft_foot
        if command.action == "begin" and other.watching:
            return _WATCHED[not soft_foot]
        return self._soft_foot.objection(command) if soft_foot else self._bolt_up.objection(command)

    def _course_objection(self, command: Command) -> str | None:
        rotating = self._phase == "rotation"
        if command.name == "begin_rotation":
            if rotating:
                return "a rotation is being read already: end it first"
            for soft_foot, part in ((True, self._soft_foot), (False, self._bolt_up)):
                if part.watching:
                    return _WATCHED[soft_foot]
        if command.name == "end_rotation" and not rotating:
            return "no rotation is being read"
        if command.name == "adjust":
            if rotating:
                return "a rotation is being read: end it first"
            if self._belief is None or not self._belief.known:
                return "the pose is not known yet: a rotation must come first"
        return None

    def _verified(self) -> Verdict | None:
        """Return the verdict of the last rotation, if nothing was adjusted since."""
        if self._phase != "findings" or not self._untouched or self._assessment is None:
            return None
        belief, assessed = self._assessment
        return assessed.verdict if belief is self._belief else None

    def _obey(self, command: Command) -> None:
        if self.objection(command) is not None:
            return
        now_s = self._now_ns / 1e9
        if command.name == "begin_rotation":
            self._phase = "rotation"
            self._rotation = Rotation(self._job, self._setup, now_s)
            self._tracker, self._belief = None, None
        elif command.name == "end_rotation":
            self._phase = "findings"
            self._rotation.conclude()
            self._untouched = True
            self._belief = self._rotation.belief
            self._keep_finding(now_s)
        elif command.name == "adjust":
            self._plane = command.plane or self._plane
            self._follow()
            self._phase = "adjust"
            self._adjusted = True
        elif command.name == "hold":
            self._hold = command.on
        elif command.name in {"check_off", "close_out"}:
            self._checks.obey(command, now_s)
        elif command.name == "soft_foot":
            self._soft_foot.obey(command, now_s)
            self._untouched = False
        elif command.name == "bolt_up":
            self._bolt_up.obey(command, now_s)
            self._untouched = False
        else:
            self._notes = [*self._notes, command.text.strip()][-_MOST_NOTES:]

    def _take_readings(self) -> None:
        """Read what waits, and use it unless held."""
        readings = self._intake.readings()
        if self._hold:
            return
        self._soft_foot.add(readings)
        self._bolt_up.add(readings)
        if self._phase == "rotation":
            for r in readings:
                self._rotation.add(r)
        elif self._tracker is not None:
            for r in readings:
                self._tracker.add(r.detector, r.time_s, r.angle_rad, r.position_m)

    def _follow(self) -> None:
        vertical = self._plane == "vertical"
        if self._tracker is not None:
            self._tracker.choose(vertical=vertical)
        elif self._rotation.fit is not None:
            fit = self._rotation.fit
            self._tracker = Tracker(
                self._model, fit.belief, fit.noise_of_means_m, fit.excess_m, vertical=vertical
            )

    def _keep_finding(self, now_s: float) -> None:
        if self._belief is None or not self._belief.known:
            return
        finding = self._assessed().finding(now_s)
        if self._adjusted:
            self._as_left = finding
        else:
            self._as_found = finding

    def _assessed(self) -> Assessment:
        """Return what follows from the present belief, worked out anew only if it is another one."""
        if self._assessment is None or self._assessment[0] is not self._belief:
            now_s = self._now_ns / 1e9
            fresh = now_s - self._judged_s < _JUDGE_EVERY_S and self._phase == "adjust"
            verdict = self._assessment[1].verdict if fresh and self._assessment else None
            self._judged_s = self._judged_s if verdict else now_s
            self._assessment = (self._belief, assess(self._job, self._setup, self._belief, verdict))
        return self._assessment[1]

    def snapshot(self, time_ns: int) -> Snapshot:
        """Return a snapshot of what is known at a time; its sequence number is the next."""
        now_s = time_ns / 1e9
        self._take_readings()
        self._sequence += 1
        self._sent_ns, self._pending = time_ns, False
        if self._phase == "rotation":
            self._rotation.refresh(now_s)
            self._belief = self._rotation.belief
        track = None if self._phase != "adjust" or self._tracker is None else self._tracker.estimate()
        if track is not None:
            self._belief = track.belief
        state: MachineState = "unknown" if track is None else track.motion
        if self._intake.turning(now_s):
            state = "turning"
        moved_s = 0.0 if track is None or track.motion == "unknown" else now_s - track.still_s
        channels, links = self._intake.states(now_s, moved_s)
        assessed = self._assessed()
        settling = self._settling(track)
        turned = self._rotation.state
        return Snapshot(
            schema=SCHEMA,
            sequence=self._sequence,
            time_s=round(now_s, 6),
            job=self._job.name,
            units=self._job.units,
            phase=self._phase,
            plane=self._plane,
            hold=self._hold,
            pose=assessed.pose,
            feet=assessed.feet,
            verdict=assessed.verdict,
            machine_state=state,
            gap_diameter_mm=round(1e3 * diameter_m(self._job), 6),
            gap_vertical_mm=assessed.gap_vertical_mm,
            gap_horizontal_mm=assessed.gap_horizontal_mm,
            rotation=replace(turned, residuals=()) if self._phase == "adjust" else turned,
            settling=settling,
            channels=channels,
            links=links,
            as_found=self._as_found,
            as_left=self._as_left,
            diagnoses=self._rotation.diagnoses,
            budget=self._rotation.budget if self._phase == "findings" else (),
            advice=next_step.advise(
                phase=self._phase,
                plane=self._plane,
                hold=self._hold,
                verdict=assessed.verdict,
                feet=assessed.feet,
                machine=state,
                rotation=turned,
                links=links,
                channels=channels,
                parked_badly=self._parked_badly,
                moved_unseen=track is not None and (track.surprised or track.held_shift_m is not None),
                creep=""
                if track is None or track.creep_m_s is None
                else next_step.creeping(track.creep_m_s, self._job.units),
                first=readiness.reminder(self._checks.items),
            ),
            notes=tuple(self._notes),
            readiness=self._checks.items,
            closed=self._checks.closed,
            soft_foot=self._soft_foot.told(),
            bolt_up=self._bolt_up.told(),
        )

    def _settling(self, track: Track | None) -> Settling:
        if track is None:
            return Settling()
        vertical = self._plane == "vertical"
        parked, parked_words, self._parked_badly = None, "", False
        if track.parked_rad is not None:
            share, best = parking(self._model, track.parked_rad, vertical=vertical)
            self._parked_badly = share < words.FAIR
            parked = round(float(np.degrees(track.parked_rad)) % 360.0, 1) % 360.0
            parked_words = words.parking(
                parked, vertical=vertical, share=share, best_deg=float(np.degrees(best)) % 360.0
            )
        offset, slope = None, None
        if track.final is not None:
            plane = corrections.pose_of(track.final)
            heading = plane.vertical if vertical else plane.horizontal
            offset, slope = heading.offset_mm, heading.slope_mm_per_m
        left, shift = track.seconds_left, track.held_shift_m
        return Settling(
            still_s=round(track.still_s, 2),
            parked_deg=parked,
            parked_words=parked_words,
            seconds_left=None if left is None else round(left, 1),
            final_offset_mm=offset,
            final_slope_mm_per_m=slope,
            held_words=words.held(
                None if shift is None else 1e3 * shift,
                vertical=vertical,
                surprised=track.surprised,
                units=self._job.units,
            ),
        )
