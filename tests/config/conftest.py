"""The example files, whole and with one thing changed."""

from collections.abc import Callable
from pathlib import Path

import pytest

from livealign.config.load import ConfigErrors

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"


@pytest.fixture
def examples() -> Path:
    return EXAMPLES


@pytest.fixture
def job_text() -> str:
    return (EXAMPLES / "job.toml").read_text(encoding="utf-8")


@pytest.fixture
def rig_text() -> str:
    return (EXAMPLES / "rig.toml").read_text(encoding="utf-8")


@pytest.fixture
def changed() -> Callable[..., str]:
    """Return a text with some of its parts replaced; each must be there."""

    def change(text: str, *changes: tuple[str, str]) -> str:
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        return text

    return change


@pytest.fixture
def complaints() -> Callable[..., list[str]]:
    """Return the messages of a call that must be refused."""

    def collect(call: Callable[..., object], *args: object) -> list[str]:
        with pytest.raises(ConfigErrors) as caught:
            call(*args)
        return [str(e) for e in caught.value.errors]

    return collect


@pytest.fixture
def line_of() -> Callable[[str, str], int]:
    """Return the number of the first line that holds a text."""

    def find(text: str, part: str) -> int:
        return next(i for i, line in enumerate(text.split("\n"), 1) if part in line)

    return find
