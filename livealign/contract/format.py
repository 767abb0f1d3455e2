"""What every format has to do, tried with records, with damage and with anything at all."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, ClassVar, NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livealign.contract.memory import measured
from livealign.stream.contracts import Format

__all__ = ["Case", "FormatContract", "Reading", "read", "several"]

CHUNK_BYTES = 2048

several = settings(
    max_examples=15,
    deadline=None,
    # A test of the base class runs for each subclass, and how long a format takes is not the question here.
    suppress_health_check=[HealthCheck.differing_executors, HealthCheck.too_slow],
)
"""How often tests with hypothesis try a case; for the author's own as well."""


@dataclass(frozen=True)
class Case:
    """One way to set a format."""

    options: Mapping[str, Any]
    """Its options, as in a rig file."""
    checksum: bool = False
    """A record with one changed byte, or bytes that are no record, never pass for one: its checksum is strong enough."""
    messages: bool = False
    """Each payload is a whole message; else payloads are pieces of a stream, cut anywhere."""
    recovers: bool = True
    """Between two records any bytes cost at most the record that follows them."""
    writer: Mapping[str, Any] = field(default_factory=dict)
    """Options that only who writes needs, in place of those of the same name."""


class Reading(NamedTuple):
    """All that a format made of some payloads."""

    rows: list[dict[str, float]]
    """The records, without what is missing in them."""
    bad: int
    last_bad: str


def read(form: Format, payloads: Sequence[bytes]) -> Reading:
    """Decode payloads, and check what must hold of every answer."""
    rows: list[dict[str, float]] = []
    bad, last_bad = 0, ""
    for payload in payloads:
        records = form.decode(payload)
        columns = list(records.columns.values())
        assert [len(column) for column in columns] == [records.count] * len(columns)
        assert not any(np.isinf(column).any() for column in columns)
        assert (records.bad > 0) == bool(records.last_bad), "the last bad record is told, if there is one"
        assert records.last_bad.isprintable()
        assert len(records.last_bad) < 500, "what is told to the person is shortened"
        names = list(records.columns)
        every = zip(*(column.tolist() for column in columns), strict=True)
        rows += ({k: v for k, v in zip(names, row, strict=True) if not math.isnan(v)} for row in every)
        bad, last_bad = bad + records.bad, records.last_bad or last_bad
    return Reading(rows, bad, last_bad)


class FormatContract:
    """What holds for every format.

    The author names the class and the cases, and says what records look like. A test with an argument `case` runs for each
    of them; with `streamed` for those that are pieces of a stream, with `summed` for those with a checksum, with
    `recovering` for those that recover.
    """

    format_class: ClassVar[type[Format]]
    cases: ClassVar[Mapping[str, Case]]
    relative: ClassVar[float] = 1e-12
    """How much a number may change by being written and read, as a part of itself ..."""
    absolute: ClassVar[float] = 0.0
    """... and in the field's own unit."""
    endless_bytes: ClassVar[int] = 128_000
    """How many bytes come, none of which ends a record; the longest record must be much shorter."""
    most_memory_bytes: ClassVar[int] = 60_000
    """How much a format may keep of them; half of `endless_bytes` at most, or the test tells little."""

    def fields(self, case: Case) -> st.SearchStrategy[dict[str, float]]:
        """Return records that can be written; a field may be left out or NaN where the format allows it."""
        raise NotImplementedError("give `fields`")

    def odd(self, case: Case) -> st.SearchStrategy[bytes]:
        """Return bytes that are nearly right; by default any at all."""
        return st.binary(max_size=40)

    def form(self, case: Case) -> Format:
        """Return a new format that reads."""
        return self._made(case.options)

    def writer(self, case: Case) -> Format:
        """Return a new format that writes."""
        return self._made({**case.options, **case.writer})

    def check_more(self, case: Case, stream: bytes, whole: Reading) -> None:
        """Check more of a stream and of what was read from it as a whole, if the author knows more of it."""

    def _made(self, options: Mapping[str, Any]) -> Format:
        return self.format_class(self.format_class.options_model.model_validate(dict(options)))

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """Run each test for the cases it is meant for."""
        meant = {
            "case": self.cases,
            "streamed": {k: c for k, c in self.cases.items() if not c.messages},
            "summed": {k: c for k, c in self.cases.items() if c.checksum},
            "recovering": {k: c for k, c in self.cases.items() if c.recovers},
        }
        for name, chosen in meant.items():
            if name in metafunc.fixturenames:
                metafunc.parametrize(name, list(chosen.values()), ids=list(chosen))

    def test_it_is_a_format(self, case: Case) -> None:
        assert isinstance(self.form(case), Format)
        assert self.format_class.options_model.model_config.get("extra") == "forbid"

    @several
    @given(data=st.data())
    def test_what_is_written_is_read_back(self, case: Case, data: st.DataObject) -> None:
        sent = data.draw(st.lists(self.fields(case), max_size=4)) * data.draw(st.integers(1, 6))
        writer = self.writer(case)
        found = read(self.form(case), self._payloads(case, [writer.encode(record) for record in sent]))
        assert (len(found.rows), found.bad) == (len(sent), 0)
        for record, row in zip(sent, found.rows, strict=True):
            there = {k: v for k, v in record.items() if not math.isnan(v)}
            assert row.keys() == there.keys()
            for name, value in there.items():
                assert math.isclose(row[name], value, rel_tol=self.relative, abs_tol=self.absolute), name

    @several
    @given(data=st.data())
    def test_any_cutting_gives_the_same(self, streamed: Case, data: st.DataObject) -> None:
        stream = b"".join(data.draw(self.streams(streamed)))
        cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
        step = data.draw(st.integers(1, 9))
        whole = read(self.form(streamed), [stream])
        assert read(self.form(streamed), [stream[a:b] for a, b in pairwise([0, *cuts, len(stream)])]) == whole
        assert read(self.form(streamed), [stream[i : i + step] for i in range(0, len(stream), step)]) == whole
        self.check_more(streamed, stream, whole)

    @several
    @given(data=st.data())
    def test_any_bytes_are_read_and_never_raise(self, case: Case, data: st.DataObject) -> None:
        read(self.form(case), data.draw(st.lists(st.binary(max_size=200) | self.odd(case), max_size=12)))

    @several
    @given(data=st.data())
    def test_a_changed_byte_costs_its_record_and_at_most_one_neighbour(
        self, summed: Case, data: st.DataObject
    ) -> None:
        payloads, rows = self._written(summed, data, at_least=6)
        hit = data.draw(st.integers(2, len(payloads) - 3))
        payloads[hit] = data.draw(_changed(payloads[hit]))
        found = read(self.form(summed), self._payloads(summed, payloads)).rows
        # All of them: some bytes say nothing, such as the case of a hexadecimal digit.
        assert found in (rows, _without(rows, hit), _without(rows, hit, hit + 1))

    @several
    @given(data=st.data())
    def test_garbage_between_records_costs_at_most_the_next(
        self, recovering: Case, data: st.DataObject
    ) -> None:
        payloads, rows = self._written(recovering, data, at_least=6)
        at = data.draw(st.integers(2, len(payloads) - 3))
        payloads.insert(at, data.draw(st.binary(min_size=1, max_size=20)))
        found = read(self.form(recovering), self._payloads(recovering, payloads)).rows
        if recovering.checksum:
            assert found in (rows, _without(rows, at))
        else:
            assert found[:at] == rows[:at]
            assert found[at - len(rows) + 1 :] == rows[at + 1 :]

    @several
    @given(data=st.data())
    def test_after_an_interruption_a_cut_record_is_forgotten(
        self, streamed: Case, data: st.DataObject
    ) -> None:
        payloads, rows = self._written(streamed, data, at_least=4)
        form = self.form(streamed)
        before = read(form, [self.writer(streamed).preamble(), *payloads[:2]])
        cut = data.draw(st.integers(1, max(1, len(payloads[2]) - 1)))
        assert read(form, [payloads[2][:cut]]).rows == []
        form.reset()
        after = read(form, payloads[3:])
        # A first line that nothing vouches for may have lost its beginning.
        assert before.rows + after.rows in (_without(rows, 2), _without(rows, 2, 3))
        assert after.bad == 0, "an interruption is no fault of the device"

    def test_a_record_without_an_end_does_not_fill_the_memory(self, case: Case) -> None:
        form = self.form(case)
        with measured() as memory:
            for _ in range(self.endless_bytes // CHUNK_BYTES):
                form.decode(b"1" * CHUNK_BYTES)
        assert memory.most_bytes is not None
        assert memory.most_bytes < self.most_memory_bytes

    def streams(self, case: Case) -> st.SearchStrategy[list[bytes]]:
        """Return runs of records, long enough to be read together, with damage between them and in them."""
        writer = self.writer(case)
        return _streams(writer.preamble(), self.fields(case).map(writer.encode), self.odd(case))

    def _written(
        self, case: Case, data: st.DataObject, at_least: int
    ) -> tuple[list[bytes], list[dict[str, float]]]:
        writer = self.writer(case)
        some = data.draw(st.lists(self.fields(case).map(writer.encode), min_size=2, max_size=3))
        payloads = (some * at_least)[: data.draw(st.integers(at_least, 3 * at_least))]
        rows = read(self.form(case), self._payloads(case, payloads)).rows
        assert len(rows) == len(payloads)
        return payloads, rows

    def _payloads(self, case: Case, records: list[bytes]) -> list[bytes]:
        payloads = [p for p in [self.writer(case).preamble(), *records] if p]
        return payloads if case.messages else [b"".join(payloads)]


@st.composite
def _streams(
    draw: st.DrawFn, preamble: bytes, record: st.SearchStrategy[bytes], odd: st.SearchStrategy[bytes]
) -> list[bytes]:
    pieces = [preamble]
    for _ in range(draw(st.integers(0, 3))):
        run = draw(st.lists(record, min_size=1, max_size=2)) * draw(st.integers(1, 12))
        for at in draw(st.lists(st.integers(0, len(run) - 1), max_size=2)):
            run[at] = draw(_changed(run[at]))
        pieces += [*run, *draw(st.lists(odd, max_size=4))]
    return pieces


@st.composite
def _changed(draw: st.DrawFn, record: bytes) -> bytes:
    at = draw(st.integers(0, len(record) - 1)) if record else 0
    other = bytes(b ^ draw(st.integers(1, 255)) for b in record[at : at + 1])
    return record[:at] + other + record[at + 1 :]


def _without(rows: list[dict[str, float]], *gone: int) -> list[dict[str, float]]:
    return [row for n, row in enumerate(rows) if n not in gone]
