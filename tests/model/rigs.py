"""Every kind of rig, from the example files, on one machine."""

from pathlib import Path

from livealign.config.job import Distance, Job
from livealign.config.load import load_job, load_rig
from livealign.config.rig import Rig

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"

KINDS = {
    "facing light heads": ("rig.toml", {"head S": -130.0, "head M": 130.0}),
    "one light, two depths": ("rig-one-head.toml", {"head M": 90.0}),
    "two axes": ("rig-two-axes.toml", {"head S": -130.0, "head M": 130.0}),
    "reverse rim": ("rig-reverse-rim.toml", {"head S": 70.0, "head M": -70.0}),
    "rim and face": ("rig-rim-and-face.toml", {"bracket": 70.0}),
    "mixed": ("rig-mixed.toml", {"head S": -130.0, "head M": -60.0}),
}
"""Example file, and where the heads' marks are, mm from the coupling's centre."""


def load(kind: str) -> tuple[Job, Rig]:
    """The machine of job.toml with this kind of rig on it, every mark taped from the coupling."""
    name, marks = KINDS[kind]
    job, rig = load_job(EXAMPLES / "job.toml"), load_rig(EXAMPLES / name)
    heads = tuple(
        Distance.model_validate({"from": "coupling", "to": head, "length": x, "u": 0.7})
        for head, x in marks.items()
    )
    feet = tuple(d for d in job.distances if "head" not in d.start + d.end)
    return job.model_copy(update={"distances": (*heads, *feet)}), rig
