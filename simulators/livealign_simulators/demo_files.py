"""The built-in job and rig."""

from importlib import resources

from livealign.config.job import Job
from livealign.config.load import parse_job, parse_rig
from livealign.config.rig import Rig

__all__ = ["demo_job", "demo_rig"]


def demo_job() -> Job:
    """Return the demo's job."""
    return parse_job(_text("demo-job.toml"), "demo-job.toml")


def demo_rig() -> Rig:
    """Return the demo's rig."""
    return parse_rig(_text("demo-rig.toml"), "demo-rig.toml")


def _text(name: str) -> str:
    return (resources.files("livealign_simulators") / "data" / name).read_text(encoding="utf-8")
