from pathlib import Path

import pytest

from service.rigs import JOB_TEXT


@pytest.fixture
def job_path(tmp_path: Path) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(JOB_TEXT, encoding="utf-8")
    return path
