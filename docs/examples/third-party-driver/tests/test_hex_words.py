"""The format: what it has to do as every format, and what only its author knows of it."""

import pytest
from hypothesis import strategies as st
from livealign_unix_socket.hex_words import HexWordsFormat, HexWordsOptions

from livealign.contract import Case, FormatContract
from livealign.errors import PersonError


class TestContract(FormatContract):
    format_class = HexWordsFormat
    cases = {
        "two words": Case({"columns": ("angle", "spot"), "counts_per_unit": {"angle": 100}}, checksum=True),
        "one word": Case({"columns": ("spot",)}, checksum=True),
    }

    def fields(self, case):
        counts = st.integers(-32768, 32767)
        all_fields = {"angle": counts.map(lambda n: n / 100), "spot": counts}
        return st.fixed_dictionaries({name: all_fields[name] for name in case.options["columns"]})

    def odd(self, case):
        pieces = st.sampled_from([b"04E2", b"04e2", b"FFF", b" ", b"  ", b"\n", b"\r\n", b"x"])
        return st.lists(pieces, max_size=8).map(b"".join) | st.binary(max_size=40)


def form() -> HexWordsFormat:
    return HexWordsFormat(HexWordsOptions(columns=("angle", "spot"), counts_per_unit={"angle": 100}))


def test_a_line_as_the_device_prints_it():
    records = form().decode(b"04E2 FF7B 045D\r\n")
    assert {name: column.tolist() for name, column in records.columns.items()} == {
        "angle": [12.5],
        "spot": [-133.0],
    }
    assert form().encode({"angle": 12.5, "spot": -133.0}) == b"04E2 FF7B 045D\n"


def test_what_is_wrong_is_told():
    records = form().decode(b"cut\n04E2 FF7B 045C\n04E2 04E2\n")
    assert (records.count, records.bad) == (0, 2)
    assert records.last_bad == "'04E2 04E2' has 1 words before their sum, not 2"
    with pytest.raises(PersonError, match="fits into no word"):
        form().encode({"angle": 400.0, "spot": 0.0})
