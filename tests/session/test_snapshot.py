"""The snapshot as bytes and as a contract."""

import dataclasses
import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from livealign.snapshot import SCHEMA, Residual, Snapshot, Verdict, decode, encode, json_schema
from session.bench import Course, job_of

WHOLE = json.loads(encode(Course(job_of()).rotation(370.0, 90.0)))

NUMBERS = st.floats(-1e6, 1e6, allow_nan=False)
SNAPSHOTS = st.builds(
    Snapshot,
    schema=st.just(SCHEMA),
    verdict=st.builds(Verdict, probability=st.none() | st.floats(0.0, 1.0), used=st.none() | NUMBERS),
    time_s=NUMBERS,
    gap_diameter_mm=NUMBERS,
    gap_vertical_mm=st.none() | NUMBERS,
    gap_horizontal_mm=st.none() | NUMBERS,
    sequence=st.integers(0, 2**53),
    notes=st.lists(st.text(st.characters(exclude_categories=["Cs"])), max_size=3).map(tuple),
    **{
        name: st.just(getattr(decode(json.dumps(WHOLE)), name))
        for name in ("pose", "feet", "rotation", "settling", "channels", "links", "as_found")
    },
)


@given(SNAPSHOTS)
def test_a_snapshot_comes_back_as_it_went(snapshot: Snapshot) -> None:
    data = encode(snapshot)
    assert decode(data) == snapshot
    assert decode(data.decode()) == snapshot
    assert encode(decode(data)) == data


def test_another_schema_is_refused() -> None:
    assert WHOLE["schema"] == SCHEMA == "livealign.snapshot/1"
    with pytest.raises(ValidationError, match="schema"):
        decode(json.dumps({**WHOLE, "schema": "livealign.snapshot/2"}))
    with pytest.raises(ValidationError):
        decode(b"{}")
    with pytest.raises(ValidationError):
        decode(b"no JSON")


def test_what_is_not_known_is_null() -> None:
    ready = json.loads(encode(Course(job_of()).command("note", text="early")))
    assert ready["pose"]["vertical"]["offset_mm"] is None
    assert ready["gap_vertical_mm"] is None
    found = decode(json.dumps(WHOLE))
    chart = dataclasses.replace(found.rotation, residuals=(Residual("head S", 1.0, math.nan, used=True),))
    spoilt = dataclasses.replace(found, rotation=chart)
    assert b"NaN" not in encode(spoilt)


def test_a_snapshot_is_frozen() -> None:
    snapshot = decode(json.dumps(WHOLE))
    with pytest.raises(dataclasses.FrozenInstanceError):
        snapshot.hold = True  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        snapshot.pose.vertical.offset_mm = 1.0  # type: ignore[misc]
    assert isinstance(hash(snapshot), int)


def test_the_schema_is_json_schema_and_describes_every_field() -> None:
    schema = json_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["type"] == "object"
    assert set(schema["properties"]) == set(WHOLE)
    assert json.loads(json.dumps(schema)) == schema
    refs = list(_refs(schema))
    assert refs
    assert all(r.startswith("#/$defs/") and r.removeprefix("#/$defs/") in schema["$defs"] for r in refs)
    _holds(WHOLE, schema, schema["$defs"])


def _refs(part: Any) -> Any:
    if isinstance(part, dict):
        if "$ref" in part:
            yield part["$ref"]
        part = list(part.values())
    if isinstance(part, list):
        for p in part:
            yield from _refs(p)


TYPES = {"string": str, "integer": int, "number": (int, float), "boolean": bool, "null": type(None)}


def _holds(value: Any, schema: dict[str, Any], defs: dict[str, Any]) -> None:
    """As much of draft 2020-12 as the schema uses."""
    if "$ref" in schema:
        schema = {**defs[schema["$ref"].removeprefix("#/$defs/")], **schema}
    if "anyOf" in schema:
        assert any(_fits(value, option, defs) for option in schema["anyOf"])
        return
    if "enum" in schema:
        assert value in schema["enum"]
    if "const" in schema:
        assert value == schema["const"]
    kind = schema.get("type")
    if kind == "object":
        assert isinstance(value, dict)
        assert set(schema.get("required", [])) <= set(value)
        for name, inner in schema["properties"].items():
            if name in value:
                _holds(value[name], inner, defs)
    elif kind == "array":
        assert isinstance(value, list)
        for item in value:
            _holds(item, schema["items"], defs)
    elif kind is not None:
        assert isinstance(value, TYPES[kind])


def _fits(value: Any, schema: dict[str, Any], defs: dict[str, Any]) -> bool:
    try:
        _holds(value, schema, defs)
    except AssertionError:
        return False
    return True
