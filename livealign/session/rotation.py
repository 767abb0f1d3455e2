"""One rotation: readings in, the fit and all that is said of it out."""

import numpy as np

from livealign.advice import next_step, rig_health
from livealign.advice.budget_words import budget_lines
from livealign.advice.observability import missing
from livealign.advice.verdict import can_change
from livealign.config.job import Job
from livealign.model.belief import Belief
from livealign.model.coverage import best_angle, sector_information
from livealign.model.diagnostics import Diagnosis as Found
from livealign.model.diagnostics import diagnose, range_ahead
from livealign.model.readings import BINS
from livealign.model.sweep import Sweep, SweepFit
from livealign.session.assessment import diameter_m
from livealign.session.intake import Reading
from livealign.session.setup import Setup
from livealign.snapshot import BudgetLine, Diagnosis, Residual, RotationState

__all__ = ["Rotation"]

_FIT_EVERY_S = 0.1
_DIAGNOSE_EVERY_S = 1.0
_LIVE_READINGS = 800
_MOST_RESIDUALS = 72
_USELESS_M2 = 1.0
"""Variance of a reading that tells nothing."""


class Rotation:
    """Collects the readings of a rotation; fits them while it lasts and once more at its end."""

    def __init__(self, job: Job, setup: Setup, now_s: float) -> None:
        """Begin."""
        self._job = job
        self._setup = setup
        self._model = setup.model
        self._names = [d.name for d in setup.model.detectors]
        self._sweep = Sweep(setup.model)
        self._fit_s = -np.inf
        self._diagnosed_s = now_s
        self.fit: SweepFit | None = None
        self.state = RotationState()
        self.diagnoses: tuple[Diagnosis, ...] = ()
        self.budget: tuple[BudgetLine, ...] = ()
        """Of the end."""

    @property
    def belief(self) -> Belief | None:
        """What is known of the pose; None before there is a fit."""
        return None if self.fit is None else self.fit.belief

    def add(self, reading: Reading) -> None:
        """Take readings of one detector."""
        self._sweep.add(reading.detector, reading.angle_rad, reading.position_m, reading.time_s)

    def refresh(self, now_s: float) -> None:
        """Fit anew if the last fit is old enough; now and then let the residuals speak."""
        if now_s - self._fit_s < _FIT_EVERY_S:
            return
        self.fit, self._fit_s = self._sweep.fit(live=True), now_s
        if self.fit is not None:
            self.state = self._describe(self.fit)
        if now_s - self._diagnosed_s >= _DIAGNOSE_EVERY_S:
            self._look_at_rig(now_s)

    def conclude(self) -> None:
        """Fit for the last time, with all that the residuals tell."""
        examined = self._sweep.examine()
        if examined is None:
            return
        self.fit, found = examined
        self.state = self._describe(self.fit)
        self.diagnoses = rig_health.told(found, self._names)
        self.budget = budget_lines(
            self._model,
            self.fit.belief,
            self.fit.freedom,
            feet=self._setup.feet,
            diameter_m=diameter_m(self._job),
            target_cov=self._setup.target_cov,
        )

    def _look_at_rig(self, now_s: float) -> None:
        """Let the residuals speak while the turn goes on, and say what lies ahead of it."""
        self._diagnosed_s = now_s
        if self.fit is None:
            return
        found = diagnose(self._sweep.evidence(self.fit), most=_LIVE_READINGS)
        self.diagnoses = rig_health.told((*found, *self._ahead(self.fit)), self._names)

    def _ahead(self, fit: SweepFit) -> list[Found]:
        """Return the detectors that will leave their range where the turn has not been yet."""
        if not fit.belief.known:
            return []
        covered = np.zeros(BINS, dtype=bool)
        covered[np.unique(fit.pooled.angle_bin)] = True
        x = fit.belief.mean[: self._model.size]
        found = []
        for i, wiring in enumerate(self._setup.wiring.positions):
            limits = wiring.channel.limits
            angle = range_ahead(self._model, x, i, (limits.least_m, limits.greatest_m), covered)
            if angle is not None:
                found.append(Found("out of range ahead", angle, "rad", (i,), 0.0))
        return found

    def _describe(self, fit: SweepFit) -> RotationState:
        pooled = fit.pooled
        belief = fit.belief
        angle_deg = None
        hint = next_step.turn_further(float(np.degrees(fit.arc_rad)))
        if belief.known:
            weights = [pooled.weight[pooled.detector == i] for i in range(belief.constants)]
            variance = np.array([1.0 / float(np.median(w)) if w.size else _USELESS_M2 for w in weights])
            angle, now_m, after_m = best_angle(self._model, belief, variance)
            angle_deg = round(float(np.degrees(angle)), 1)
            hint = next_step.where_to_turn(angle_deg, now_m, after_m, self._job.units)
        stride = max(1, pooled.residual.size // _MOST_RESIDUALS)
        residuals = tuple(
            Residual(
                self._names[d],
                float(b) + 0.5,
                round(1e3 * float(r), 6),
                used=abs(float(r)) * float(w) ** 0.5 < 5.0,
            )
            for d, b, r, w in zip(
                pooled.detector[::stride],
                pooled.angle_bin[::stride],
                pooled.residual[::stride],
                pooled.weight[::stride],
                strict=True,
            )
        )
        compared = belief.loosened(self._setup.target_cov)
        return RotationState(
            arc_deg=round(float(np.degrees(fit.arc_rad)), 1),
            covered=sector_information(pooled.angle_bin, pooled.weight, BINS),
            readings=fit.readings,
            left_out=fit.left_out,
            residual_sd_mm=round(1e3 * float(np.sqrt(np.mean(np.square(fit.noise_m)))), 6),
            observable=belief.known,
            missing=missing(
                self._model,
                belief.observable,
                float(np.degrees(fit.arc_rad)),
                read=[bool(np.any(pooled.detector == i)) for i in range(belief.constants)],
                units=self._job.units,
            ),
            enough=not can_change(self._setup.criterion, compared, self._setup.target, self._job.confidence),
            advice=hint,
            next_angle_deg=angle_deg,
            residuals=residuals,
            gross=rig_health.gross_readings(fit.gross, self._names),
        )
