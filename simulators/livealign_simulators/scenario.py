"""The scenario file: a machine, what is wrong with it, what is done, and what the program should conclude."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from livealign.config.crosscheck import job_problems, pair_problems, rig_problems
from livealign.config.document import Document, read_document, read_text, validated
from livealign.config.job import Job
from livealign.config.load import load_job, load_rig
from livealign.config.plugs import plug_problems
from livealign.config.problems import ConfigError, ConfigErrors
from livealign.config.rig import Rig
from livealign.config.toml_lines import TomlLines
from livealign.snapshot import MachineState, Plane, SoftFootKind, VerdictState
from livealign_simulators.actions import AnyAction, Turn, Wait
from livealign_simulators.demo_files import demo_job, demo_rig
from livealign_simulators.faults import Faults
from livealign_simulators.frame import Side
from livealign_simulators.geometry import AxisLine

__all__ = [
    "Conclusion",
    "Follow",
    "LookForSoftFeet",
    "Press",
    "Rotate",
    "Scenario",
    "ScenarioFile",
    "Start",
    "Step",
    "Until",
    "hastened",
    "parse_scenario",
    "read_scenario",
]

Text = Annotated[str, Field(min_length=1, max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=60)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Speed = Annotated[float, Field(gt=0, le=720, allow_inf_nan=False, strict=True)]
Seconds = Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False, strict=True)]
_FASTEST_DEG_PER_S = 720.0


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Start(_Part):
    """How the machine is found; left out altogether, that is drawn from the seed."""

    vertical_offset_mm: Finite = 0.0
    vertical_slope_mm_per_m: Finite = 0.0
    horizontal_offset_mm: Finite = 0.0
    horizontal_slope_mm_per_m: Finite = 0.0

    def line(self) -> AxisLine:
        """Return the movable axis."""
        return AxisLine(
            self.horizontal_offset_mm,
            self.horizontal_slope_mm_per_m / 1000,
            self.vertical_offset_mm,
            self.vertical_slope_mm_per_m / 1000,
        )


class Rotate(_Part):
    """Begin a rotation, turn the shafts, let them rest a moment, end the rotation."""

    do: Literal["rotate"]
    to_deg: Finite
    deg_per_s: Speed = 45.0


class Press(_Part):
    """A command to the program."""

    do: Literal["begin rotation", "end rotation", "adjust", "hold", "note"]
    plane: Plane | None = None
    """With adjust."""
    on: bool = True
    """With hold."""
    text: str = ""
    """With note."""


class LookForSoftFeet(_Part):
    """A command to the program while soft feet are looked for; the bolts are turned by steps of their own."""

    do: Literal["soft foot"]
    action: Literal["begin", "loosen", "tighten", "end"]
    foot: Name | None = None
    """With loosen."""
    side: Side | None = None


class Follow(_Part):
    """Move the feet as the program says in the plane that is adjusted, until it is satisfied or the rounds are over."""

    do: Literal["follow"]
    rounds: Annotated[int, Field(ge=1, le=10, strict=True)] = 2
    settle_s: Seconds = 15.0
    """Longest wait for the machine to settle after each round."""


class Until(_Part):
    """Wait until the program says so."""

    do: Literal["until"]
    says: Literal["moving", "settled", "conforming", "not conforming"]
    at_most_s: Seconds = 20.0


Step = Annotated[AnyAction | Rotate | Press | LookForSoftFeet | Follow | Until, Field(discriminator="do")]

When = Literal["as found", "as left"]
Counter = Literal["bad", "missed", "repeated", "late", "restarts", "dropped", "reconnects"]
State = Literal["connecting", "open", "silent", "lost", "refused", "ended"]


class Conclusion(_Part):
    """What the program should have concluded by the end."""

    as_found: VerdictState | None = None
    as_left: VerdictState | None = None
    true: tuple[When, ...] = ()
    """Findings whose four figures lie within their U (95 %) of the truth."""
    misled: tuple[When, ...] = ()
    """Findings in which at least one figure does not: the program cannot know."""
    not_observable: bool = False
    """The last rotation gave no pose."""
    diagnoses: tuple[Name, ...] = ()
    """Told at the end of a rotation."""
    warnings: tuple[Name, ...] = ()
    """Diagnoses told while a rotation lasted."""
    no_other_diagnosis: bool = False
    """None but these `diagnoses` at the end of any rotation."""
    machine: tuple[MachineState, ...] = ()
    """States that it was in while a plane was followed."""
    moved_mm: Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)] | None = None
    """The offset of the plane that is followed changed by so much at least, with no foot moved."""
    soft_feet: dict[str, SoftFootKind] = {}
    """By foot, such as "near feet right": the kind that the program told in the end."""
    flags: dict[str, Name] = {}
    """By channel, such as "head M battery": a flag that it had."""
    links: dict[str, State] = {}
    """By link: a state that it was in."""
    counters: dict[str, tuple[Counter, ...]] = {}
    """By link: what was counted at least once."""
    words: tuple[Text, ...] = ()
    """What the program said somewhere, to the letter."""


class ScenarioFile(_Part):
    """The file as it stands."""

    file_schema: Literal["livealign.scenario/1"] = Field(alias="schema")
    name: Name
    lesson: Text
    """What is to be learnt, in plain words."""
    job: str | dict[str, Any] = ""
    """A file beside this one, or the whole job; left out: the demo's."""
    rig: str | dict[str, Any] = ""
    seed: Annotated[int, Field(ge=0, strict=True)] = 1
    rate_hz: Annotated[float, Field(ge=1, le=2000, allow_inf_nan=False, strict=True)] = 20.0
    starts_at_deg: Finite = 90.0
    """Where the heads are at first, clockwise from 12 o'clock."""
    start: Start | None = None
    faults: Faults = Faults()
    timeline: Annotated[tuple[Step, ...], Field(min_length=1, max_length=200)]
    conclusion: Conclusion


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario with its job and rig."""

    file: ScenarioFile
    job: Job
    rig: Rig
    """As told to the program."""

    @property
    def title(self) -> str:
        """The first sentence of the lesson."""
        return self.file.lesson.strip().split("\n")[0]

    def seeded(self, seed: int | None) -> "Scenario":
        """Return the same with another seed; None: as it is."""
        return self if seed is None else replace(self, file=self.file.model_copy(update={"seed": seed}))


def read_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    Raises:
        ConfigErrors: with everything that is wrong.
        PersonError: if a file that it names cannot be read.
    """
    return parse_scenario(read_text(path), str(path), path.parent)


def parse_scenario(text: str, where: str, folder: Path) -> Scenario:
    """Read the text of a scenario file.

    Args:
        text: TOML.
        where: stands in messages for its name.
        folder: where the files are that it names.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    doc = read_document(text, where)
    file, errors = validated(ScenarioFile, doc, doc.data)
    job_doc, rig_doc = _part(doc, "job"), _part(doc, "rig")
    job: Job | None = None
    rig: Rig | None = None
    if job_doc is not None:
        job, wrong = validated(Job, job_doc, job_doc.data)
        errors += wrong + job_problems(job_doc)
    elif file is not None:
        job = load_job(folder / str(file.job)) if file.job else demo_job()
    if rig_doc is not None:
        rig, wrong = validated(Rig, rig_doc, rig_doc.data)
        errors += wrong + rig_problems(rig_doc) + plug_problems(rig_doc)
    elif file is not None:
        rig = load_rig(folder / str(file.rig)) if file.rig else demo_rig()
    if job_doc is not None and rig_doc is not None:
        errors += pair_problems(job_doc, rig_doc)
    if file is not None and job is not None and rig is not None:
        errors += _strangers(doc, file, job, rig)
    if errors or file is None or job is None or rig is None:
        raise ConfigErrors(errors)
    return Scenario(file, job, rig)


def hastened(scenario: Scenario, speed: float) -> Scenario:
    """Return the scenario with everything that lasts made shorter: turns, waits, warming, creeping."""
    if speed == 1.0:
        return scenario
    steps = tuple(_hastened(step, speed) for step in scenario.file.timeline)
    update = {"timeline": steps, "faults": scenario.file.faults.hastened(speed)}
    return Scenario(scenario.file.model_copy(update=update), scenario.job, scenario.rig)


def _hastened(step: Any, speed: float) -> Any:
    if isinstance(step, Turn | Rotate):
        return step.model_copy(update={"deg_per_s": min(_FASTEST_DEG_PER_S, step.deg_per_s * speed)})
    if isinstance(step, Wait):
        return step.model_copy(update={"s": step.s / speed})
    if hasattr(step, "time_constant_s"):
        return step.model_copy(update={"time_constant_s": step.time_constant_s / speed})
    return step


def _part(doc: Document, key: str) -> Document | None:
    """Return a table of a document as one of its own, or nothing if it is none."""
    data = doc.data.get(key)
    if not isinstance(data, dict):
        return None
    known = {path[1:]: line for path, line in doc.lines.known.items() if path[0] == key}
    return Document(doc.where, data, TomlLines(known))


def _strangers(doc: Document, file: ScenarioFile, job: Job, rig: Rig) -> list[ConfigError]:
    """Return what names a foot plane, head or link that is not there."""
    known: dict[str, Sequence[str]] = {
        "foot": [f.name for f in job.feet],
        "head": [h.name for h in rig.heads],
        "link": [link.name for link in rig.links],
    }
    errors = []
    tables: list[tuple[tuple[str | int, ...], Any]] = [
        (("timeline", i), step) for i, step in enumerate(file.timeline)
    ]
    for key, value in file.faults:
        if isinstance(value, tuple):
            tables += [(("faults", key, i), item) for i, item in enumerate(value)]
    for path, item in tables:
        for what, names in known.items():
            name = getattr(item, what, None)
            if name is not None and name not in names:
                errors.append(
                    doc.error(
                        (*path, what),
                        f"no {what} is called {name!r}; there are {', '.join(names)}",
                        found=name,
                    )
                )
    for key in ("links", "counters"):
        for name in getattr(file.conclusion, key):
            if name not in known["link"]:
                message = f"no link is called {name!r}; there are {', '.join(known['link'])}"
                errors.append(doc.error(("conclusion", key, name), message, found=name))
    return errors
