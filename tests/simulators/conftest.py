import tomllib
from pathlib import Path

import pytest

from livealign.config.job import Job
from livealign.config.rig import Rig

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"


@pytest.fixture
def job() -> Job:
    return Job.model_validate(tomllib.loads((EXAMPLES / "job.toml").read_text(encoding="utf-8")))


@pytest.fixture
def rig() -> Rig:
    return Rig.model_validate(tomllib.loads((EXAMPLES / "rig.toml").read_text(encoding="utf-8")))
