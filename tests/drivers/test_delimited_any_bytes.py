"""Whatever bytes come, in whatever pieces: one answer, no crash, no invented number."""

import math
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import livealign_drivers.delimited as module
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

CONFIGURATIONS = {
    "plain": {"columns": ("a", "b", "c")},
    "one column": {"columns": ("a",)},
    "xor8": {"columns": ("a", "b", "c"), "checksum": "xor8"},
    "sum8, prefix": {"columns": ("a", "b", "c"), "checksum": "sum8", "prefix": "$H,"},
    "crc16, blanks": {"columns": ("a", "b", "c"), "checksum": "crc16", "delimiter": "whitespace"},
    "crc32, tab": {"columns": ("a", "b", "c"), "checksum": "crc32", "delimiter": "tab"},
    "blanks, prefix": {"columns": ("a", "b", "c"), "delimiter": "whitespace", "prefix": "$"},
    "header": {"columns": None, "header": True, "checksum": "xor8"},
    "plain header": {"columns": ("a", "b"), "header": True},
    "labels": {"columns": ("a", "b", "c"), "label_value": True, "checksum": "xor8"},
}
every_configuration = pytest.mark.parametrize("name", CONFIGURATIONS)

finite = st.floats(allow_nan=False, allow_infinity=False, width=32)


def made(name: str) -> DelimitedFormat:
    return DelimitedFormat(DelimitedOptions(**CONFIGURATIONS[name], max_line=64))


def bodies(delimiter: str) -> st.SearchStrategy[bytes]:
    """Bodies that are right, nearly right, and quite wrong."""
    odd = ["", " ", "nan", "1_0", "1e999", "x", "a", "b:2", "-", "1-2", "٣", "#", "a:7", "c:", "9" * 40]
    cells = st.one_of(
        st.integers(-9999, 9999).map(str),
        st.floats(-1e6, 1e6).map(lambda v: f"{v:.3f}"),
        st.sampled_from(odd),
    )
    numbers = st.lists(st.integers(-9999, 9999).map(str), min_size=3, max_size=3)
    names = st.sampled_from([["a", "b", "c"], ["c", "b", "a"], ["a", "b"], ["b", "a", "d"]])
    some = st.one_of(numbers, numbers, names, st.lists(cells, min_size=1, max_size=4))
    return some.map(lambda row: delimiter.join(row).encode())


@st.composite
def streams(draw, name: str) -> bytes:
    """Many lines, some of them damaged, so that both ways of reading are taken."""
    form = made(name)
    delimiter = {"whitespace": " "}.get(form._options.delimiter, form._options.delimiter)
    good = st.tuples(finite, finite, finite).map(lambda v: dict(zip("abc", v, strict=True)))
    parts = st.one_of(
        bodies(delimiter).map(lambda b: form._envelope.wrap(b) + b"\n"),
        bodies(delimiter).map(lambda b: form._envelope.wrap(b) + b"\r\n"),
        good.map(lambda fields: form.encode(fields) if form._columns else b"1*31\n"),
        st.binary(max_size=12).map(lambda b: b + b"\n"),
        st.sampled_from(
            [b"\n", b"# why\n", b" \r\r\n", b"9" * 90 + b"\n", b"$H,*00\n", b"*\n", b"$", b"1,2"]
        ),
    )
    return b"".join(draw(st.lists(parts, max_size=40)))


def whole(form: DelimitedFormat, payloads: list[bytes]) -> tuple:
    """All that the payloads give, in a form that can be compared."""
    found, bad, last_bad = [], 0, ""
    for payload in payloads:
        records = form.decode(payload)
        bad += records.bad
        last_bad = records.last_bad or last_bad
        for i in range(records.count):
            row = {k: float(v[i]) for k, v in records.columns.items()}
            found.append({k: v for k, v in row.items() if not math.isnan(v)})
    return found, bad, last_bad


def cut(data: bytes, at: list[int]) -> list[bytes]:
    edges = [0, *sorted(min(a, len(data)) for a in at), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


@every_configuration
@settings(max_examples=40)
@given(data=st.data())
def test_any_cutting_and_either_way_of_reading_give_the_same(name, data):
    stream = data.draw(streams(name))
    cuts = data.draw(st.lists(st.integers(0, max(1, len(stream))), max_size=12))
    together = whole(made(name), [stream])
    assert whole(made(name), cut(stream, cuts)) == together
    assert whole(made(name), [stream[i : i + 1] for i in range(len(stream))]) == together
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "FEW", 10**9)
        assert whole(made(name), [stream]) == together, "one by one"
        patch.setattr(module, "FEW", 2)
        assert whole(made(name), [stream]) == together, "together"


@every_configuration
@settings(max_examples=40)
@given(
    payloads=st.lists(
        st.one_of(st.binary(max_size=300), st.text("0123456789,.*\n-eE_naif", max_size=300).map(str.encode))
    )
)
def test_garbage_never_raises_and_is_never_infinite(name, payloads):
    form = made(name)
    for payload in payloads:
        records = form.decode(payload)
        assert all(len(c) == records.count for c in records.columns.values())
        assert not any(np.isinf(c).any() for c in records.columns.values())
        assert (records.bad > 0) == bool(records.last_bad)
        assert records.last_bad.isprintable()


@given(stream=st.one_of(streams("plain"), st.text("0123456789,.\n-eE_ nai", max_size=400).map(str.encode)))
def test_every_line_is_a_record_a_fault_or_nothing_as_a_simple_reading_says(stream):
    rows, bad = [], 0
    lines = [line.removesuffix(b"\r") for line in stream.split(b"\n")]
    for n, line in enumerate(lines[:-1]):
        if len(line) > 64:
            bad += n > 0
            continue
        stripped = line.strip(b" \t")
        if not stripped or stripped.startswith(b"#"):
            continue
        cells = [c.strip(b" \t") for c in line.split(b",")]
        right = [c == b"" or re.fullmatch(rb"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", c) for c in cells]
        values = [float(c or "nan") for c in cells] if all(right) else []
        if len(cells) == 3 and values and not any(map(math.isinf, values)):
            rows.append({k: v for k, v in zip("abc", values, strict=True) if not math.isnan(v)})
        else:
            bad += n > 0
    # What follows the last \n is a fault already if it is too long.
    bad += len(lines[-1]) > 64 and len(lines) > 1
    found, counted, _ = whole(made("plain"), [stream])
    assert (found, counted) == (rows, bad)


@every_configuration
@settings(max_examples=40)
@given(values=st.lists(st.tuples(finite, finite, finite), min_size=1, max_size=20))
def test_what_is_written_is_read_back(name, values):
    options = DelimitedOptions(**{**CONFIGURATIONS[name], "columns": ("a", "b", "c"), "decimals": 6})
    form = DelimitedFormat(options)
    sent = form.preamble() + b"".join(form.encode(dict(zip("abc", v, strict=True))) for v in values)
    records = DelimitedFormat(options).decode(sent)
    assert (records.count, records.bad) == (len(values), 0)
    read = np.column_stack([records.columns[k] for k in "abc"])
    np.testing.assert_allclose(read, np.array(values), rtol=1e-12, atol=0.51e-6)


@settings(max_examples=40)
@given(missing=st.lists(st.sets(st.sampled_from("abc")), min_size=1, max_size=20))
@pytest.mark.parametrize("name", ["plain", "sum8, prefix", "crc32, tab", "labels"])
def test_what_is_missing_comes_back_as_missing_and_nothing_else(name, missing):
    form = made(name)
    fields = [{k: 1.5 for k in "abc" if k not in gone} for gone in missing]
    # A line without any label cannot be told from a blank one.
    fields = [f for f in fields if f or name != "labels"]
    found, bad, _ = whole(made(name), [b"".join(map(form.encode, fields))])
    assert (found, bad) == (fields, 0)
