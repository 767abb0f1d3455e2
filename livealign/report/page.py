"""The report as one HTML file, and the same as plain values."""

import dataclasses
import json
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup

from livealign import __version__
from livealign.advice.words import probability
from livealign.config.describe import rig_lines
from livealign.config.distances import positions
from livealign.config.job import Job
from livealign.config.load import parse_pair
from livealign.config.rig import Rig
from livealign.config.tolerance import decision_words, tolerance_words
from livealign.record.reader import Recording
from livealign.report.charts import centreline_svg, coverage_svg, settling_svg
from livealign.report.collect import Course, collect
from livealign.session.target import target_words
from livealign.snapshot import PlanePose
from livealign.units import Units, distance_words, show_distance, show_measured, show_slope

__all__ = ["Report", "make_report"]

_PLANES = (("vertical", "up and down"), ("horizontal", "sideways"))
_LEAST_POINTS = 2


@dataclasses.dataclass(frozen=True)
class Report:
    """A report, to be written."""

    html: str
    json: str


def make_report(recording: Recording, units: Units | None = None) -> Report:
    """Return the report of a session.

    Args:
        recording: of the session.
        units: what lengths are told in; None for those of the job.

    Raises:
        PersonError: if the files inside are not sound, or the recording is damaged from the start.
    """
    job, rig = parse_pair(
        recording.job_text, recording.rig_text, f"{recording.path}:job.toml", f"{recording.path}:rig.toml"
    )
    course = collect(recording)
    told_in: Units = units or job.units
    html = (
        _environment(told_in)
        .get_template("report.html.j2")
        .render(**_values(recording, job, rig, course, told_in))
    )
    return Report(html, json.dumps(_plain(recording, job, course), ensure_ascii=False, indent=1))


def _values(recording: Recording, job: Job, rig: Rig, course: Course, units: Units) -> dict[str, Any]:
    where = positions(job, [h.name for h in rig.heads])
    feet = [(f.name, 1e3 * where.x(f.name)) for f in job.feet]
    points = [("coupling", 0.0, 0.0), *((n, where.x(n), where.u(n)) for n in where.names if n != "coupling")]
    xs = [1e3 * x for _, x, _ in points]
    reach = (min(*xs, 0.0) - 60.0, max(xs) + 60.0)
    return {
        "job": job,
        "start": recording.header.start[:16].replace("T", " "),
        "version": __version__,
        "file": recording.path.name,
        "course": course,
        "planes": _PLANES,
        "points": [
            (name, distance_words(x, units), "the origin" if name == "coupling" else distance_words(u, units))
            for name, x, u in sorted(points, key=lambda p: p[1])
        ],
        "tolerance": [tolerance_words(job), decision_words(job)],
        "target": target_words(job, where),
        "rig": [line.strip() for line in rig_lines(rig, job) if line.startswith(" ")],
        "rig_name": rig.name,
        "centreline": _picture(centreline_svg(course.as_found, course.as_left, feet, reach, units)),
        "coverages": [_picture(coverage_svg(t.snapshot.rotation)) for t in course.turns],
        "courses": [
            (a, _picture(settling_svg(a, units)))
            for a in course.adjustments
            if len(a.points) >= _LEAST_POINTS
        ],
        "coupling": show_distance(job.coupling.diameter * (1.0 if job.units == "mm" else 25.4), units),
    }


def _picture(svg: str) -> Markup:
    return Markup(svg)  # noqa: S704 - drawn here; names in it are escaped by the library


def _plain(recording: Recording, job: Job, course: Course) -> dict[str, Any]:
    """Return what the report tells, always in mm, with the points of the charts."""
    return {
        "schema": "livealign.report/1",
        "program": f"livealign {__version__}",
        "recording": recording.path.name,
        "start": recording.header.start,
        "torn": course.torn,
        "job": job.model_dump(mode="json", by_alias=True),
        "as_found": _dict(course.as_found),
        "as_left": _dict(course.as_left),
        "turns": [
            {
                "time_s": t.time_s,
                "pose": _dict(t.snapshot.pose),
                "verdict": _dict(t.snapshot.verdict),
                "rotation": _dict(t.snapshot.rotation),
                "diagnoses": [_dict(d) for d in t.snapshot.diagnoses],
                "budget": [_dict(b) for b in t.snapshot.budget],
            }
            for t in course.turns
        ],
        "adjustments": [
            {"plane": a.plane, "points": [_dict(p) for p in a.points]} for a in course.adjustments
        ],
        "notes": [_dict(n) for n in course.notes],
        "links": [] if course.last is None else [_dict(link) for link in course.last.links],
    }


def _dict(value: Any) -> Any:
    return None if value is None else dataclasses.asdict(value)


def _environment(units: Units) -> jinja2.Environment:
    text = resources.files("livealign.report").joinpath("report.html.j2").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        loader=jinja2.DictLoader({"report.html.j2": text}),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["length"] = lambda mm: show_measured(mm, units, signed=True)
    environment.filters["slope"] = lambda v: show_slope(v, units, signed=True)
    environment.filters["sentence"] = lambda text: text[:1].upper() + text[1:].rstrip(".")
    environment.filters["sure"] = _sure
    environment.globals["within"] = lambda pose: _within(pose, units)
    environment.globals["difference"] = lambda one, other: _difference(one, other, units)
    environment.filters["minutes"] = lambda s: f"{int(s) // 60}:{int(s) % 60:02d}"
    return environment


def _within(pose: PlanePose, units: Units) -> tuple[str, str]:
    """Return offset and slope with what they are known to (2 u, 95 %)."""
    offset = show_measured(pose.offset_mm, units, signed=True)
    if pose.offset_u_mm is not None:
        offset += f" ± {show_measured(max(2 * pose.offset_u_mm, 0.001), units)}"
    slope = show_slope(pose.slope_mm_per_m, units, signed=True)
    if pose.slope_u_mm_per_m is not None:
        slope += f" ± {show_slope(max(2 * pose.slope_u_mm_per_m, 0.01), units)}"
    return offset, slope


def _difference(one: PlanePose, other: PlanePose, units: Units) -> tuple[str, str]:
    """Return by how much two turns differ."""
    pairs = ((one.offset_mm, other.offset_mm), (one.slope_mm_per_m, other.slope_mm_per_m))
    offset, slope = (None if a is None or b is None else b - a for a, b in pairs)
    return show_measured(offset, units, signed=True), show_slope(slope, units, signed=True)


def _sure(share: float | None) -> str:
    return "probability not known" if share is None else f"{probability(share)} probable"
