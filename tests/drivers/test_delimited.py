"""Lines of numbers: what is read, what is refused, what is written."""

import math

import numpy as np
import pytest
from pydantic import ValidationError

from livealign.errors import PersonError
from livealign.stream.contracts import Format
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

COLUMNS = ("count", "angle", "spot")


def made(**options) -> DelimitedFormat:
    options.setdefault("columns", COLUMNS)
    return DelimitedFormat(DelimitedOptions(**options))


def started(**options) -> DelimitedFormat:
    """A format that is past its first line."""
    form = made(**options)
    form.decode(b"cut\n")
    return form


def rows(records) -> list[list[float]]:
    return [list(row) for row in zip(*(c.tolist() for c in records.columns.values()), strict=True)]


def test_plain_lines_become_columns():
    records = made().decode(b"1,12.5,-0.25\r\n2,13.0,+.5\n")
    assert {k: v.tolist() for k, v in records.columns.items()} == {
        "count": [1, 2],
        "angle": [12.5, 13.0],
        "spot": [-0.25, 0.5],
    }
    assert (records.count, records.bad, records.last_bad) == (2, 0, "")
    assert all(c.dtype == np.float64 for c in records.columns.values())
    assert isinstance(made(), Format)


def test_a_line_may_come_in_pieces():
    form = made()
    assert form.decode(b"1,12").count == 0
    assert form.decode(b".5,3").count == 0
    assert form.decode(b"").count == 0
    assert rows(form.decode(b"4\n2,0,0")) == [[1, 12.5, 34]]
    assert rows(form.decode(b"\n")) == [[2, 0, 0]]


def test_no_record_gives_empty_columns():
    records = made().decode(b"1,2")
    assert {k: len(v) for k, v in records.columns.items()} == {"count": 0, "angle": 0, "spot": 0}


def test_an_empty_cell_is_missing_and_only_that():
    values = started().decode(b"1,,3\n,, \n").columns
    assert math.isnan(values["angle"][0])
    assert values["spot"][0] == 3
    assert np.isnan([c[1] for c in values.values()]).all()


@pytest.mark.parametrize("many", [False, True])
@pytest.mark.parametrize(
    "cell",
    [
        "nan",
        "NaN",
        "inf",
        "-inf",
        "infinity",
        "1_000",
        "0x10",
        "abc",
        "1e999",
        "1 2",
        "--1",
        "+",
        ".",
        "e5",
        "1e",
        "٣",
    ],
)
def test_what_is_no_plain_finite_number_spoils_its_record(cell, many):
    good = b"1,2,3\n" * (20 if many else 1)
    records = started().decode(good + f"7,{cell},9\n".encode() + good)
    assert records.bad == 1
    assert "where a number should be" in records.last_bad
    assert rows(records) == [[1, 2, 3]] * (records.count)
    assert records.count == 2 * good.count(b"\n")


@pytest.mark.parametrize("line", [b"1,2", b"1,2,3,4", b"1,2,3,", b"1;2;3"])
def test_a_wrong_count_of_cells_spoils_the_record(line):
    records = started().decode(line + b"\n" + b"1,2,3\n" * 10)
    assert (records.count, records.bad) == (10, 1)
    assert "cells instead of 3" in records.last_bad


def test_the_last_bad_record_is_shown_shortened_and_harmless():
    records = started().decode(b"\x1b[31m\x00'" + 200 * b"x" + b",2\n")
    assert records.last_bad.isprintable()
    assert records.last_bad.isascii()
    assert len(records.last_bad) < 150
    assert "has 2 cells instead of 3" in records.last_bad


def test_blanks_around_numbers_blank_lines_and_comments_do_not_matter():
    records = started().decode(b"\n  \n# made by head S\n 1 ,\t2, 3 \n  # end\n")
    assert rows(records) == [[1, 2, 3]]
    assert records.bad == 0


def test_comments_can_be_marked_otherwise_or_be_none():
    assert started(comment="//").decode(b"// hello\n").bad == 0
    assert started(comment="//").decode(b"# hello\n").bad == 1
    assert started(comment="").decode(b"# hello\n").bad == 1


# The first line


def test_a_first_line_that_was_cut_is_no_fault_but_the_second_is():
    form = made()
    records = form.decode(b"2.5,3\n1,2,3\nrubbish\n")
    assert (records.count, records.bad) == (1, 1)


def test_after_an_interruption_the_half_line_is_forgotten_and_the_next_start_may_be_cut():
    form = made(checksum="xor8")
    line = form.encode({"count": 1, "angle": 2, "spot": 3})
    form.decode(line + line[:4])
    form.reset()
    records = form.decode(line[3:] + line)
    assert (records.count, records.bad) == (1, 0)


def test_after_an_interruption_nothing_that_may_have_lost_digits_is_used():
    form = made()
    form.decode(b"1001,2,3\n10")
    form.reset()
    records = form.decode(b"02,2,3\n1003,2,3\n")
    assert rows(records) == [[1003, 2, 3]]
    assert records.bad == 0


def test_a_reset_before_anything_came_costs_nothing():
    form = made()
    form.reset()
    assert rows(form.decode(b"1,2,3\n")) == [[1, 2, 3]]


def test_what_is_vouched_for_is_used_after_an_interruption():
    for form in (made(prefix="$"), made(checksum="sum8"), made(label_value=True)):
        line = form.encode({"count": 1, "angle": 2, "spot": 3})
        form.decode(line)
        form.reset()
        assert form.decode(line).count == 1


# Long lines


@pytest.mark.parametrize("step", [1, 7, 64, 1000])
def test_an_endless_line_is_dropped_once_and_reading_goes_on(step):
    form = started(max_line=64)
    data = b"1,2,3\n" + 500 * b"9" + b"\n4,5,6\n"
    parts = [form.decode(data[i : i + step]) for i in range(0, len(data), step)]
    assert [r for p in parts for r in rows(p)] == [[1, 2, 3], [4, 5, 6]]
    assert sum(p.bad for p in parts) == 1
    assert any("longer than 64 bytes" in p.last_bad for p in parts)


def test_an_endless_line_does_not_fill_the_memory():
    form = made(max_line=64)
    for _ in range(100):
        form.decode(1000 * b"9")
    assert len(form._cutter._rest) <= 1064


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
@pytest.mark.parametrize("step", [1, 1000])
def test_the_longest_line_allowed_is_read(ending, step):
    form = started(max_line=64)
    line = b"1,2," + 60 * b"0" + ending
    data = line + b"0" + line
    parts = [form.decode(data[i : i + step]) for i in range(0, len(data), step)]
    assert [r for p in parts for r in rows(p)] == [[1, 2, 0]]
    assert sum(p.bad for p in parts) == 1


# Checksums and prefix


@pytest.mark.parametrize(
    ("checksum", "digits"),
    # For "123456789", the usual check string: CRC-16/XMODEM and CRC-32 as published; the bytes' sum is 0x1DD,
    # and 1 ^ 2 ^ ... ^ 9 = 1 leaves one 0x30 (nine of them) with it.
    [("xor8", b"31"), ("sum8", b"DD"), ("crc16", b"31C3"), ("crc32", b"CBF43926")],
)
def test_checksums_are_the_published_ones(checksum, digits):
    form = started(columns=["n"], checksum=checksum, prefix="$")
    assert form.encode({"n": 123456789}) == b"$123456789*" + digits + b"\n"
    for many in (1, 30):
        line = b"$123456789*" + digits + b"\r\n" + b"$123456789*" + digits.lower() + b"\n"
        assert rows(form.decode(many * line)) == [[123456789]] * 2 * many


@pytest.mark.parametrize("many", [0, 30])
@pytest.mark.parametrize(
    ("line", "why"),
    # The digits 1, 2, 3 give 30 by exclusive or: 1 ^ 2 ^ 3 is 0, and the commas cancel out.
    [
        (b"$1,2,3*2E", "says checksum 2E, its bytes give 30"),
        (b"$1,2,4*30", "says checksum 30, its bytes give 37"),
        (b"$1,2,3", "does not end in *"),
        (b"$1,2,3*", "does not end in *"),
        (b"$1,2,3*0", "does not end in *"),
        (b"$1,2,3*030", "does not end in *"),
        (b"$1,2,3*3O", "does not end in *"),
        (b"$1,2,3*+3", "does not end in *"),
        (b"1,2,3*30", "does not begin with '$'"),
        (b"$*00", "is empty"),
        (b"*", "does not begin with '$'"),
        (b"$", "does not end in *"),
    ],
)
def test_damage_is_found(line, why, many):
    form = started(prefix="$", checksum="xor8")
    good = b"$1,2,3*30\n"
    records = form.decode(many * good + line + b"\n" + many * good)
    assert (records.count, records.bad) == (2 * many, 1)
    assert why in records.last_bad


@pytest.mark.parametrize("many", [1, 30])
def test_a_letter_that_is_no_digit_is_never_a_right_checksum(many):
    form = started(columns=["n"], checksum="sum8")
    body = next(b"%d" % n for n in range(10**6) if sum(b"%d" % n) & 0xFF == 0xFF)
    assert form.decode(many * (body + b"*FF\n")).count == many
    assert form.decode(many * (body + b"*0G\n")).bad == many


# Header lines


def test_a_header_tells_the_columns_and_may_come_again():
    form = made(columns=None, header=True)
    assert form.preamble() == b""
    records = form.decode(b"spot, angle\n1,2\nspot, angle\n3,4\n")
    assert {k: v.tolist() for k, v in records.columns.items()} == {"spot": [1, 3], "angle": [2, 4]}
    assert records.bad == 0
    assert form.preamble() == b"spot,angle\n"


def test_numbers_before_any_header_are_bad():
    form = made(columns=None, header=True)
    assert form.decode(b"2\n").bad == 0, "it may have been cut"
    records = form.decode(b"1,2\n" * 20)
    assert (records.count, records.bad) == (0, 20)
    assert "before any header" in records.last_bad
    assert form.decode(b"a,b\n1,2\n").count == 1


def test_a_header_may_change_the_order_in_the_middle():
    form = made(header=True)
    block = b"1,2,3\n" * 20
    records = form.decode(block + b"spot,angle,count,light\n" + b"3,2,1,500\n" * 20)
    assert records.count == 40
    assert set(records.columns["count"]) == {1}
    assert set(records.columns["spot"]) == {3}
    assert np.isnan(records.columns["light"][:20]).all()
    assert set(records.columns["light"][20:]) == {500}


def test_a_header_without_a_column_that_is_needed_is_bad():
    form = started(header=True)
    records = form.decode(b"count,angle\n1,2,3\n")
    assert "a header without spot" in records.last_bad
    assert rows(records) == [[1, 2, 3]]


@pytest.mark.parametrize("line", [b"nan,inf,infinity", b"a,a,b", b"a,,b", b"a,b,1c"])
def test_what_only_looks_like_a_header_changes_nothing(line):
    form = made(columns=None, header=True)
    form.decode(b"a,b,c\n")
    assert form.decode(line + b"\n").bad == 1
    assert list(form.decode(b"1,2,3\n").columns) == ["a", "b", "c"]


def test_columns_stay_over_an_interruption_and_a_cut_header_does_not_change_them():
    form = made(columns=None, header=True)
    form.decode(b"count,angle\n1,2\n")
    form.reset()
    records = form.decode(b"unt,angle\n3,4\n")
    assert {k: v.tolist() for k, v in records.columns.items()} == {"count": [3], "angle": [4]}


# Labels


def test_labelled_cells_come_in_any_order():
    form = started(label_value=True)
    records = form.decode(b"spot:3, angle : 2,count:1\nangle:5,temp:warm,\n")
    assert rows(records)[0] == [1, 2, 3]
    assert records.columns["angle"][1] == 5
    assert np.isnan([records.columns["count"][1], records.columns["spot"][1]]).all()
    assert records.bad == 0


def test_labels_with_blanks_between_and_equal_signs():
    form = started(label_value=True, separator="=", delimiter="whitespace")
    assert rows(form.decode(b"count=1  spot=3\tangle=2\n")) == [[1, 2, 3]]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"count:1,angle", "a cell without ':'"),
        (b"count:1,count:2", "'count' twice"),
        (b"count:inf", "where a number should be"),
        (b"count:1:2", "where a number should be"),
    ],
)
def test_labelled_cells_can_be_bad(line, why):
    records = started(label_value=True).decode(line + b"\n")
    assert (records.count, records.bad) == (0, 1)
    assert why in records.last_bad


# Writing


def test_numbers_are_written_short_and_read_back():
    form = made(decimals=2)
    assert form.encode({"count": 7.0, "angle": 12.346, "spot": -0.001}) == b"7,12.35,-0.00\n"
    assert form.encode({"count": 7.0, "angle": 0.25, "spot": 1e300}) == b"7,0.25,1e+300\n"
    assert form.encode({"count": 1, "spot": math.nan}) == b"1,,\n"
    assert made(delimiter="tab").encode({"count": 1, "angle": 2, "spot": 3}) == b"1\t2\t3\n"
    assert made(label_value=True).encode({"spot": 0.5}) == b"spot:0.5000\n"
    assert made(header=True, checksum="xor8").preamble().startswith(b"count,angle,spot*")


def test_what_cannot_be_written_is_said():
    with pytest.raises(PersonError, match="infinite"):
        made().encode({"count": math.inf})
    with pytest.raises(PersonError, match="missing"):
        made(delimiter="whitespace").encode({"count": 1})
    with pytest.raises(PersonError, match="columns are not known"):
        made(columns=None, header=True).encode({"count": 1})


# Options


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "`columns` is missing"),
        ({"header": True, "label_value": True, "columns": ["a"]}, "exclude each other"),
        ({"label_value": True}, "`columns` is missing"),
        ({"columns": []}, "one column at least"),
        ({"columns": ["a", "a"]}, "a comes twice"),
        ({"columns": ["1a"]}, "'1a' cannot name a column"),
        ({"columns": ["a,b"]}, "cannot name a column"),
        ({"columns": ["nan"]}, "cannot name a column"),
        ({"columns": ["a"], "delimiter": "--"}, "cannot be a delimiter"),
        ({"columns": ["a"], "delimiter": "5"}, "cannot be a delimiter"),
        ({"columns": ["a"], "delimiter": "*"}, "cannot be a delimiter"),
        ({"columns": ["a"], "delimiter": ":", "label_value": True}, "make them different"),
        ({"columns": ["a b"], "delimiter": "whitespace"}, "cannot have blanks"),
        ({"columns": ["a"], "prefix": "#"}, "every line would be a comment"),
        ({"columns": ["a"], "comment": "-"}, "cannot begin with '-'"),
        ({"columns": ["a"], "comment": ";", "delimiter": ";"}, "cannot begin with ';'"),
        ({"columns": ["a"], "checksum": "md5"}, "xor8"),
        ({"columns": ["a"], "max_line": 1}, "max_line"),
        ({"columns": ["a"], "delimeter": ";"}, "delimeter"),
    ],
)
def test_options_say_what_is_wrong(given, told):
    with pytest.raises(ValidationError) as caught:
        DelimitedOptions(**given)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("word", "data"),
    [
        ("tab", b"1\t2\t3\n"),
        ("\t", b"1\t2\t3\n"),
        ("semicolon", b"1;2;3\n"),
        (";", b"1; 2;3\n"),
        ("|", b"1|2|3\n"),
    ]
    + [(word, b" 1  2\t3 \n") for word in ("whitespace", "space", " ")],
)
def test_delimiters_have_names(word, data):
    form = started(delimiter=word)
    assert rows(form.decode(data)) == [[1, 2, 3]]
    assert rows(form.decode(data * 20)) == [[1, 2, 3]] * 20
