"""The checklist: what must be in order before a machine is aligned. The plant writes its own, or takes the one shipped."""

from functools import cache
from importlib.resources import files
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = ["Checklist", "Item", "default_checklist_text"]

Text = Annotated[str, Field(min_length=1, max_length=400)]
Short = Annotated[str, Field(min_length=1, max_length=60)]
Id = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9-]*$")]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Item(_Part):
    """One thing to check."""

    id: Id
    """What commands and the record call it."""
    title: Short
    text: Text
    """What to do, and when it is in order."""
    safety: Annotated[bool, Field(strict=True)] = False
    """While it is open, the job cannot be closed as verified."""
    limit_mm: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False, strict=True)] | None = None
    """The most that may be measured; such an item is checked off with a value."""
    source: Annotated[str, Field(max_length=200)] = ""
    """Where the limit, or the demand, comes from."""

    @model_validator(mode="after")
    def _limit_has_a_source(self) -> Self:
        if self.limit_mm is not None and not self.source.strip():
            message = "has a limit_mm; say in source whose limit it is"
            raise ValueError(message)
        return self


class Checklist(_Part):
    """What is checked, in the order of the work."""

    file_schema: Literal["livealign.checklist/1"] = Field(alias="schema")
    name: Short
    items: Annotated[tuple[Item, ...], Field(min_length=1, max_length=60)]


@cache
def default_checklist_text() -> str:
    """Return the text of the checklist that is shipped, a file to start one's own from."""
    return files("livealign.config").joinpath("checklist.toml").read_text(encoding="utf-8")
