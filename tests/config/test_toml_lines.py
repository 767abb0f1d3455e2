"""Every key of a TOML text is found on its line, however it is written."""

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.config.toml_lines import toml_lines

CASES = [
    ("a = 1", {("a",): 1}),
    ("# c\n\na = 1 # a = 2\nb = 2", {("a",): 3, ("b",): 4}),
    ("[t]\na = 1\n[t.u]\nb = 2", {("t",): 1, ("t", "a"): 2, ("t", "u"): 3, ("t", "u", "b"): 4}),
    ("[t.u]\nb = 1\n[t]\na = 2", {("t",): 3, ("t", "u"): 1, ("t", "a"): 4}),
    ("[[p]]\nx = 1\n[[p]]\nx = 2", {("p",): 1, ("p", 0): 1, ("p", 0, "x"): 2, ("p", 1): 3, ("p", 1, "x"): 4}),
    (
        "[[p]]\n[p.q]\nx = 1\n[[p.r]]\ny = 2\n[[p.r]]\ny = 3\n[[p]]\n[[p.r]]\ny = 4",
        {("p", 0, "q", "x"): 3, ("p", 0, "r", 1, "y"): 7, ("p", 1): 8, ("p", 1, "r", 0, "y"): 10},
    ),
    ("a.b.c = 1\na.d = 2", {("a",): 1, ("a", "b"): 1, ("a", "b", "c"): 1, ("a", "d"): 2}),
    ('"a.b" = 1\n\'c d\' = 2\n"\\u0065" = 3', {("a.b",): 1, ("c d",): 2, ("e",): 3}),
    ("a = { b = 1, c = { d = 2 } }\ne = 3", {("a", "b"): 1, ("a", "c", "d"): 1, ("e",): 2}),
    ("a = [\n  1, # one\n\n  2,\n]\nb = 3", {("a",): 1, ("a", 0): 2, ("a", 1): 4, ("b",): 6}),
    ("a = [\n {b = 1},\n {b = 2}\n]", {("a", 0, "b"): 2, ("a", 1, "b"): 3}),
    ("a = [[1,\n2], [3]]", {("a", 0, 1): 2, ("a", 1): 2, ("a", 1, 0): 2}),
    ('a = """\n[t]\nb = 1\n"""\nc = 2', {("a",): 1, ("c",): 5}),
    ("a = '''\nx = \"\"\" '\n'''\nc = 2", {("a",): 1, ("c",): 4}),
    ('a = """x"""""\nb = 1', {("b",): 2}),
    ('a = """\\"""\n"""\nb = 1', {("b",): 3}),
    ('a = """"""\nb = ""\nc = \'\'\nd = 1', {("d",): 4}),
    ('a = "# no comment [t] \\" = "\nb = 1', {("b",): 2}),
    ("a = 1979-05-27 07:32:00\nb = 1", {("b",): 2}),
    ("a = 1\r\nb = 2\r\n[t]\r\nc = 3", {("b",): 2, ("t",): 3, ("t", "c"): 4}),
    ("[ t . 'u' ]\na = 1", {("t",): 1, ("t", "u", "a"): 2}),
    ("[[ p ]]\na=[]\nb={}\nc=1", {("p", 0, "a"): 2, ("p", 0, "c"): 4}),
    ("1 = 1\n3.2 = 2", {("1",): 1, ("3", "2"): 2}),
]


@pytest.mark.parametrize(("text", "expected"), CASES)
def test_keys_are_found_where_they_stand(text: str, expected: dict[tuple[str | int, ...], int]) -> None:
    tomllib.loads(text)  # the case itself is right
    known = toml_lines(text).known
    assert {path: known.get(path) for path in expected} == expected


def test_what_has_no_line_gets_that_of_the_table_around_it() -> None:
    lines = toml_lines("\n[t]\na = 1\n[[p]]\n")
    assert lines.of(("t", "missing")) == 2
    assert lines.of(("p", 0, "missing", 3)) == 4
    assert lines.of(("p", 7)) == 4
    assert lines.of(("missing",)) == 1
    assert lines.of(()) == 1


def test_a_key_given_twice_is_noticed() -> None:
    assert toml_lines("a = 1\nb = 2\na = 3").twice == [(("a",), 1, 3)]
    assert toml_lines("[t]\n[u]\n[t]\n").twice == [(("t",), 1, 3)]
    assert toml_lines("[t.u]\n[t]\n").twice == []


KEYS = st.sampled_from(["a", "b", "c-d", "e_1", "7", "with space", "a.b", "ü", '"', "#"])
ATOMS = st.one_of(
    st.integers(-99, 99),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False).map(float),
    st.sampled_from(["", "x", "[t]", "# no", "a = 1", "'", "\n", '"""', "\\", "}", "]", ","]),
)
VALUES = st.recursive(
    ATOMS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=8
)
TABLES = st.recursive(
    st.dictionaries(KEYS, VALUES, max_size=3),
    lambda inner: st.dictionaries(
        KEYS, st.one_of(VALUES, inner, st.lists(inner, min_size=1, max_size=3)), max_size=3
    ),
    max_leaves=6,
)


class _Writer:
    """Writes values as TOML in ways it is told to choose, and notes on which line each went."""

    def __init__(self, draw: Any) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[tuple[str | int, ...], int] = {}

    def document(self, table: dict[str, Any]) -> None:
        self.body(table, ())

    def body(self, table: dict[str, Any], path: tuple[str | int, ...]) -> None:
        later = []
        for key, value in table.items():
            own_tables = _is_table(value) or (
                isinstance(value, list) and value and all(map(_is_table, value))
            )
            if own_tables and self.choose():
                later.append((key, value))
            elif _is_table(value) and value and self.choose():
                self.dotted(key, value, path)
            else:
                self.assign([key], value, path)
        for key, value in later:
            if isinstance(value, dict):
                self.header("[", (*path, key), "]")
                self.body(value, (*path, key))
            else:
                for i, item in enumerate(value):
                    self.header("[[", (*path, key), "]]", (*path, key, i))
                    self.body(item, (*path, key, i))

    def header(self, left: str, path: tuple[Any, ...], right: str, noted: tuple[Any, ...] = ()) -> None:
        self.blank_lines()
        self.note(noted or path)
        self.text += left + ".".join(self.key(k) for k in path if isinstance(k, str)) + right + "\n"

    def dotted(self, key: str, value: dict[str, Any], path: tuple[str | int, ...]) -> None:
        for i, (inner, item) in enumerate(value.items()):
            self.assign([key, inner], item, path, first=i == 0)

    def assign(self, keys: list[str], value: Any, path: tuple[str | int, ...], *, first: bool = True) -> None:
        self.blank_lines()
        for i in range(0 if first else len(keys) - 1, len(keys)):
            self.note((*path, *keys[: i + 1]))
        self.text += f"{'.'.join(self.key(k) for k in keys)} = "
        self.value(value, (*path, *keys))
        self.text += self.pick(["", " # b = 1"]) + "\n"

    def value(self, value: Any, path: tuple[str | int, ...]) -> None:
        if isinstance(value, dict):
            self.text += "{"
            for i, (key, item) in enumerate(value.items()):
                self.text += ", " if i else " "
                self.note((*path, key))
                self.text += f"{self.key(key)} = "
                self.value(item, (*path, key))
            self.text += " }"
        elif isinstance(value, list):
            self.text += "["
            for i, item in enumerate(value):
                self.text += self.pick(["", "\n", " # ]\n\n  "])
                self.note((*path, i))
                self.value(item, (*path, i))
                self.text += self.pick([",", " ,", "\n,"]) if i < len(value) - 1 else self.pick(["", ",\n"])
            self.text += "]"
        elif isinstance(value, str):
            self.text += self.string(value)
        elif isinstance(value, bool):
            self.text += str(value).lower()
        else:
            self.text += repr(value)

    def string(self, value: str) -> str:
        plain = json.dumps(value, ensure_ascii=False)
        ways = [plain]
        if "\n" not in value and "'" not in value:
            ways.append(f"'{value}'")
        if "'" not in value:
            ways.append(f"'''\n{value}'''")
        return str(self.pick([*ways, f'"""\n{plain[1:-1]}"""']))

    def key(self, key: str) -> str:
        bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
        return key if bare and self.choose() else json.dumps(key, ensure_ascii=False)

    def note(self, path: tuple[str | int, ...]) -> None:
        self.lines[path] = self.text.count("\n") + 1

    def blank_lines(self) -> None:
        self.text += self.pick(["", "\n", "# [x]\n", "  "])

    def choose(self) -> bool:
        return bool(self.draw(st.booleans()))

    def pick(self, ways: list[str]) -> str:
        return str(self.draw(st.sampled_from(ways)))


def _is_table(value: object) -> bool:
    return isinstance(value, dict)


@given(st.data())
def test_any_text_is_read_with_the_lines_it_was_written_on(data: st.DataObject) -> None:
    table = data.draw(TABLES)
    writer = _Writer(data.draw)
    writer.document(table)
    assert tomllib.loads(writer.text) == table  # the writer itself is right
    known = toml_lines(writer.text).known
    assert {path: known.get(path) for path in writer.lines} == writer.lines


@given(st.text(alphabet="ab=[]{}\"'.,#\n\\ 1", max_size=60))
def test_what_is_no_toml_disturbs_nothing(text: str) -> None:
    lines = toml_lines(text)
    last = text.count("\n") + 1
    assert all(1 <= line <= last for line in lines.known.values())


@given(st.text(alphabet="ab=[]{}\"'.,#\n\\ 1", max_size=60))
def test_whatever_tomllib_reads_is_found(text: str) -> None:
    try:
        data = tomllib.loads(text)
    except ValueError:
        return
    known = toml_lines(text).known
    assert set(_paths(data)) <= set(known)


def _paths(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    items: Any = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    found = []
    for key, item in items:
        found += [(*path, key), *_paths(item, (*path, key))]
    return found


def test_a_large_text_is_read_quickly_enough() -> None:
    text = 'a = "' + '\\"' * 100_000 + '"\n' + "".join(f"[[p]]\nx = {i}\n" for i in range(20_000))
    assert toml_lines(text).known["p", 19_999, "x"] == 40_001


def test_deep_nesting_is_borne() -> None:
    assert toml_lines("a = 1\nb = " + "[" * 100_000).of(("a",)) == 1
