"""Files that people write: what is wrong is told in one line that names the file, the line and the mend."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import FileInvalid
from hardenprobe.model.yaml_file import SIZE_LIMIT, Document, load_yaml, parse, read_text


@dataclass(frozen=True, kw_only=True)
class Inner:
    port: int
    speed: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Outer:
    name: str
    inner: Inner | None = None
    many: tuple[Inner, ...] = ()
    free: dict[str, Any] = field(default_factory=dict)


@pytest.fixture
def write(tmp_path: Path) -> Any:
    def written(text: str | bytes) -> Path:
        path = tmp_path / "file.yaml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return written


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("off", "off"),
        ("no", "no"),
        ("22:30", "22:30"),
        ("2026-11-01", "2026-11-01"),
        ("true", True),
        ("~", None),
        ("", None),
        ("8080", 8080),
        ("0089", 89),
        ("010", 10),
        ("-7", -7),
        ("1.5", 1.5),
        ("1e3", 1000.0),
        ("'0089'", "0089"),
        ("0x1f", "0x1f"),
        ("1_000", "1_000"),
    ],
)
def test_words_stay_the_words_they_look_like(write: Any, text: str, value: object) -> None:
    """YAML 1.2.2, chapter 10.3.2, core schema; hex and octal forms are left as words."""
    found = load_yaml(write(f"key: {text}\n")).data["key"]
    assert (found, type(found)) == (value, type(value))


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        pytest.param("a: 1\nb: 2\na: 3\n", 3, "the key 'a' is repeated here", id="repeated key"),
        pytest.param("1: x\n'1': y\n", 2, "is repeated", id="repeated key, once as a number"),
        pytest.param("a:\n  b: 1\n  b: 2\n", 3, "the key 'b' is repeated here", id="repeated inner key"),
        pytest.param("a: [1\nb: 2\n", 2, "", id="no YAML"),
        pytest.param("a:\n\t- b\n", 2, "cannot start any token", id="a tab"),
        pytest.param("? [a]\n: b\n", 1, "a key must be a word", id="a list as key"),
        pytest.param("? {a: b}\n: b\n", 1, "a key must be a word", id="a mapping as key"),
        pytest.param("~: b\n", 1, "a key must be a word", id="null as key"),
        pytest.param("- a\n", 1, "expected keys and values", id="a list at the top"),
        pytest.param("", 1, "expected keys and values", id="empty"),
        pytest.param("a: 1\n---\nb: 2\n", None, "", id="two documents"),
        pytest.param("a: &x [*x]\n", None, "nested too deeply", id="an alias inside itself"),
        pytest.param("a: " + "[" * 1200, 1, "nest", id="deep"),
        pytest.param("- " * 5000 + "x\n", None, "nest", id="deep by indentation"),
        pytest.param("a: *x\n", 1, "undefined alias", id="no such anchor"),
        pytest.param("x: 1\na: " + "9" * 5000 + "\n", 2, "put it in quotes", id="a number without end"),
        pytest.param("x: 1\na: !!int x\n", 2, "put it in quotes", id="a tag that does not fit"),
        pytest.param("a: !!bool x\n", 1, "put it in quotes", id="a tag that knows no such word"),
        pytest.param("a: !!timestamp x\n", 1, "put it in quotes", id="a day that is none"),
        pytest.param("a: !!timestamp 2026-01-01\n", 1, "write it without one", id="a tag of a day"),
        pytest.param("a: !!binary aGk=\n", 1, "write it without one", id="a tag of bytes"),
        pytest.param("a: !!python/name:os.system\n", 1, "could not determine a constructor", id="code"),
        pytest.param("a: \x01\n", None, "unacceptable character", id="control character"),
    ],
)
def test_bad_yaml(write: Any, text: str, line: int | None, says: str) -> None:
    path = write(text)
    with pytest.raises(FileInvalid) as caught:
        load_yaml(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{path}:")
    assert says in str(caught.value)
    if line is not None:
        assert caught.value.line == line


def test_not_utf_8(write: Any) -> None:
    path = write(b"a: \xff\n")
    with pytest.raises(FileInvalid, match=r"not UTF-8 text \(byte 3\)"):
        load_yaml(path)


def test_a_byte_order_mark_is_no_part_of_the_text(write: Any) -> None:
    assert load_yaml(write(b"\xef\xbb\xbfa: 1\n")).data == {"a": 1}


@pytest.mark.parametrize(("name", "why"), [("none.yaml", "No such file"), (".", "Is a directory")])
def test_unreadable(tmp_path: Path, name: str, why: str) -> None:
    with pytest.raises(FileInvalid, match=f"cannot be read: {why}"):
        read_text(tmp_path / name)


def test_too_large_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    with path.open("wb") as out:
        out.truncate(SIZE_LIMIT + 1)  # sparse
    with pytest.raises(FileInvalid, match="larger than 32 MiB"):
        read_text(path)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        pytest.param("nam: x\n", 1, "unknown key 'nam'; did you mean 'name'?", id="misspelt key"),
        pytest.param("name: x\nzzz: 1\n", 2, "unknown key 'zzz'", id="key that resembles nothing"),
        pytest.param(
            "name: x\ninner:\n  prt: 1\n  port: 2\n", 3, "did you mean 'port'?", id="misspelt inner key"
        ),
        pytest.param(
            "name: x\nmany:\n- port: 1\n- port: 2\n  spede: 1\n", 5, "did you mean 'speed'?", id="in a list"
        ),
        pytest.param("free: {}\n", 1, "the key 'name' is missing", id="missing key"),
        pytest.param("name: x\ninner: {}\n", 2, "the key 'port' is missing", id="missing inner key"),
        pytest.param("name: 12\n", 1, "name is 12: ", id="a number for a word"),
        pytest.param("name: x\ninner: {port: '80'}\n", 2, "inner.port is '80': ", id="a word for a number"),
        pytest.param("name: x\ninner: {port: true}\n", 2, "inner.port is True: ", id="yes for a number"),
        pytest.param('name: "\\uD800"\n', 1, "invalid", id="half a character"),
    ],
)
def test_bad_record(write: Any, text: str, line: int, says: str) -> None:
    path = write(text)
    with pytest.raises(FileInvalid) as caught:
        parse(load_yaml(path), Outer)
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_good_record(write: Any) -> None:
    path = write("name: x\ninner: {port: 80, speed: 2}\nmany: [{port: 1}]\nfree: {a: [off]}\n")
    assert parse(load_yaml(path), Outer) == Outer(
        name="x", inner=Inner(port=80, speed=2.0), many=(Inner(port=1),), free={"a": ["off"]}
    )


def test_the_line_of_what_has_none_is_that_of_what_is_around_it(write: Any) -> None:
    document = load_yaml(write("a: 1\nb:\n  - c\n  - d\n"))
    assert [document.line(s) for s in (("b", 1), ("b", 9), ("b", 1, "x"), ("zzz",))] == [4, 2, 4, 1]


@given(st.binary(max_size=60) | st.text("ab:-[]{}&*!'\"#|>?%@,\n\t 019.~", max_size=40).map(str.encode))
def test_whatever_is_in_a_file_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes(data)
    try:
        parse(load_yaml(path), Outer)
    except FileInvalid as error:
        assert "\n" not in str(error)
        assert str(error).startswith(str(path))


KEYS = st.sampled_from(["a", "b", "c"])
DATA = st.recursive(
    st.integers() | st.lists(st.integers(), max_size=3),
    lambda inner: st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
).filter(lambda data: isinstance(data, dict))


def numbered(file: str, data: Any) -> Document:
    """A document in which every spot has a line of its own."""
    lines: dict[Any, int] = {}

    def walk(value: Any, spot: tuple[str | int, ...]) -> None:
        lines[spot] = len(lines) + 1
        parts = (
            value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        )
        for key, inner in parts:
            walk(inner, (*spot, key))

    walk(data, ())
    return Document(file, data, lines)


def at(data: Any, spot: tuple[str | int, ...]) -> Any:
    for part in spot:
        data = data[part]
    return data


@given(upper=DATA, lower=DATA)
def test_one_document_over_another_keeps_every_value_and_where_it_was_written(upper: Any, lower: Any) -> None:
    above, below = numbered("above", upper), numbered("below", lower)
    made = above.over(below)
    assert set(made.data) == {*upper, *lower}
    for spot in made.lines:
        source = below if made.fault(spot, "").file == "below" else above
        assert made.lines[spot] == source.lines[spot]
        value = at(made.data, spot)
        if not isinstance(value, dict):
            assert value == at(source.data, spot)
    assert all(
        at(made.data, spot) == at(upper, spot)
        for spot in above.lines
        if not isinstance(at(upper, spot), dict)
    )
    assert above.over(numbered("nothing", {})).data == upper
