"""JSON objects, one a line."""

import json
import math

import numpy as np
import pytest
from hypothesis import strategies as st
from pydantic import ValidationError

from livealign.contract import Case, FormatContract
from livealign.errors import PersonError
from livealign.stream.contracts import Format
from livealign_drivers.json_lines import JsonLinesFormat, JsonLinesOptions

FIELDS = {"count": "n", "angle": "head.angle_deg", "spot": "head.spot.um"}


def made(fields=FIELDS, **options) -> JsonLinesFormat:
    return JsonLinesFormat(JsonLinesOptions(fields=fields, **options))


def started(**options) -> JsonLinesFormat:
    form = made(**options)
    form.decode(b"cut\n")
    return form


def test_members_are_found_by_their_path():
    line = b'{"n": 1, "head": {"angle_deg": 12.5, "spot": {"um": -3e2}, "name": "S"}, "other": [1]}\r\n'
    records = made().decode(line + line)
    assert {k: v.tolist() for k, v in records.columns.items()} == {
        "count": [1, 1],
        "angle": [12.5, 12.5],
        "spot": [-300, -300],
    }
    assert (records.count, records.bad, records.last_bad) == (2, 0, "")
    assert isinstance(made(), Format)


def test_names_alone_are_their_own_paths():
    assert made(["angle"]).decode(b'{"angle": 1}\n').columns["angle"].tolist() == [1]


@pytest.mark.parametrize("value", ["true", "false", "null", '"12"', "[1]", "{}"])
def test_what_is_no_number_is_missing(value):
    records = started().decode(b'{"n": %b, "head": %b}\n' % (value.encode(), value.encode()))
    assert (records.count, records.bad) == (1, 0)
    assert all(np.isnan(c).all() for c in records.columns.values())


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b'{"n": NaN}', "NaN is not a JSON number"),
        (b'{"n": -Infinity}', "-Infinity is not a JSON number"),
        (b'{"other": Infinity}', "Infinity is not a JSON number"),
        (b'{"n": 1e999}', "at n that is too large"),
        (b'{"n": 1' + 400 * b"0" + b"}", "at n that is too large"),
        (b'{"n": ' + 5000 * b"1" + b"}", "cannot be read|can be read"),
        (b'{"n": 1', "is not JSON"),
        (b"[1, 2]", "is not a JSON object"),
        (b"12", "is not a JSON object"),
        (b'{"n": "\xff"}', "is not UTF-8"),
        (b"\xef\xbb\xbf{}", "is not JSON"),
        (b'{"n":' * 3000, "is not JSON"),
        (b'{"n": 1} {"n": 2}', "is not JSON"),
        (b'{"n": 1_000}', "is not JSON"),
    ],
)
def test_bad_lines_are_counted_with_their_reason(line, why):
    good = b'{"n": 1}\n'
    records = started(max_line=20000).decode(good + line + b"\n" + good)
    assert (records.count, records.bad) == (2, 1)
    assert any(w in records.last_bad for w in why.split("|"))
    assert len(records.last_bad) < 250


def test_a_first_line_that_was_cut_is_no_fault_also_after_an_interruption():
    form = made()
    assert form.decode(b'": 3}\n{"n": 1}\n').bad == 0
    form.decode(b'{"n": ')
    form.reset()
    records = form.decode(b'2}\n{"n": 3}\n[]\n')
    assert records.columns["count"].tolist() == [3]
    assert records.bad == 1


def test_an_endless_line_is_dropped_once():
    form = started(max_line=64)
    records = [form.decode(b"1" * 50) for _ in range(10)] + [form.decode(b'\n{"n": 1}\n')]
    assert sum(r.bad for r in records) == 1
    assert records[-1].columns["count"].tolist() == [1]


def test_lines_are_written_compact_and_nested_and_without_what_is_missing():
    form = made()
    assert form.encode({"count": 7.0, "angle": 0.25, "spot": 1.0}) == (
        b'{"n":7,"head":{"angle_deg":0.25,"spot":{"um":1}}}\n'
    )
    assert form.encode({"count": math.nan, "angle": 2}) == b'{"head":{"angle_deg":2}}\n'
    assert form.preamble() == b""
    with pytest.raises(PersonError, match="infinite"):
        form.encode({"count": math.inf})


lines = st.one_of(
    st.binary(max_size=80),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["n", "head", "spot", "um"]), inner)
        ),
        max_leaves=6,
    ).map(lambda value: json.dumps(value).encode()),
)


class TestContract(FormatContract):
    format_class = JsonLinesFormat
    cases = {"plain": Case({"fields": FIELDS})}
    relative = 0

    def fields(self, case):
        finite = st.floats(allow_nan=False, allow_infinity=False)
        return st.fixed_dictionaries({}, optional=dict.fromkeys(FIELDS, finite))

    def odd(self, case):
        return lines.map(lambda line: line + b"\n")


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({}, "name one field at least"),
        ([], "name one field at least"),
        (["a", "a"], "a comes twice"),
        ({"a": "head..x"}, "is no path"),
        ({"a": ""}, "is no path"),
        ({"a": "head", "b": "head.x"}, "cannot be a number and hold 'head.x'"),
        ({"a": 1}, "string"),
        ("angle", "dictionary"),
    ],
)
def test_options_say_what_is_wrong(fields, told):
    with pytest.raises(ValidationError) as caught:
        JsonLinesOptions(fields=fields)
    assert told in str(caught.value)
