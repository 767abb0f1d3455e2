"""Lines of numbers pass the tests that are shipped for the authors of new formats, and read alike in either way."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

import livealign_drivers.delimited as module
from livealign.contract import Case, FormatContract, read
from livealign_drivers.delimited import DelimitedFormat

ABC = ("a", "b", "c")

finite = st.floats(-1e6, 1e6, width=32)


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


def lines(**options) -> dict:
    return {"columns": ABC, "decimals": 6, "max_line": 64, **options}


class TestDelimited(FormatContract):
    format_class = DelimitedFormat
    cases = {
        "plain": Case(lines()),
        "one column": Case(lines(columns=("a",))),
        "xor8": Case(lines(checksum="xor8"), checksum=True),
        "sum8, prefix": Case(lines(checksum="sum8", prefix="$H,"), checksum=True),
        "crc16, blanks": Case(lines(checksum="crc16", delimiter="whitespace"), checksum=True),
        "crc32, tab": Case(lines(checksum="crc32", delimiter="tab"), checksum=True),
        "blanks, prefix": Case(lines(delimiter="whitespace", prefix="$")),
        "header": Case(
            lines(columns=None, header=True, checksum="xor8"), checksum=True, writer={"columns": ABC}
        ),
        "plain header": Case(lines(columns=("a", "b"), header=True)),
        # A zero byte in a label is nothing to an xor, and a label that is not known is left out.
        "labels": Case(lines(label_value=True, checksum="xor8"), checksum=True, recovers=False),
    }
    absolute = 0.51e-6

    def fields(self, case):
        options = {**case.options, **case.writer}
        # No number may be missing between blanks; a line without any label cannot be told from a blank one.
        needed = options["columns"] if options.get("delimiter") == "whitespace" else options["columns"][:1]
        optional = [c for c in options["columns"] if c not in needed]
        return st.fixed_dictionaries(dict.fromkeys(needed, finite), optional=dict.fromkeys(optional, finite))

    def odd(self, case):
        form = self.form(case)
        delimiter = {"whitespace": " "}.get(form._options.delimiter, form._options.delimiter)
        return st.one_of(
            bodies(delimiter).map(lambda b: form._envelope.wrap(b) + b"\n"),
            bodies(delimiter).map(lambda b: form._envelope.wrap(b) + b"\r\n"),
            st.binary(max_size=12).map(lambda b: b + b"\n"),
            st.text("0123456789,.*\n-eE_naif", max_size=100).map(str.encode),
            st.sampled_from(
                [b"\n", b"# why\n", b" \r\r\n", b"9" * 90 + b"\n", b"$H,*00\n", b"*\n", b"$", b"1,2"]
            ),
        )

    def check_more(self, case, stream, whole):
        for few in (2, 10**9):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(module, "FEW", few)
                assert read(self.form(case), [stream]) == whole, "together or one by one"


PLAIN = Case(lines())
streams = TestDelimited().streams(PLAIN).map(b"".join)


@given(stream=streams | st.text("0123456789,.\n-eE_ nai", max_size=400).map(str.encode))
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
    found = read(TestDelimited().form(PLAIN), [stream])
    assert (found.rows, found.bad) == (rows, bad)
