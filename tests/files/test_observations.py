"""Observations out of files, folders and standard input, as the bytes they stood there as."""

import io
from pathlib import Path

import pytest

from careplan_bridge.errors import FileRefused, WrongUse
from careplan_bridge.files.observations import headers, raw_lines

ONE, TWO = b'{"resourceType":"Observation","id":"1","v":90.00}', b'{"resourceType": "Observation", "v": 1.30E2}'
BUNDLE = (
    b'{"resourceType":"Bundle","entry":[{"resource":%s},{"resource":{"resourceType":"Patient"}},{"resource":%s},{}]}'
)
HEADER = (
    b'{"document":"retrieval","version":1,"plan":"p","endpoint":"e","started":"2026-01-01T00:00:00Z",'
    b'"ended":"2026-01-01T00:00:01Z","complete":true,"queries":[],"observations":2}'
)


def _read(data: bytes) -> list[tuple[str, bytes]]:
    return list(raw_lines(["-"], io.BytesIO(data)))


@pytest.mark.parametrize(
    "data",
    [
        ONE + b"\n" + TWO,
        b"\xef\xbb\xbf" + ONE + b"\r\n\r\n" + TWO + b"\r\n",
        b"[" + ONE + b",\n" + TWO + b"]",
        BUNDLE % (ONE, TWO),
        (BUNDLE % (ONE, TWO)).replace(b'"entry"', b'\n"entry"'),
        BUNDLE % (ONE, BUNDLE % (TWO, b"{}")),
        HEADER + b"\n" + ONE + b"\n" + TWO + b"\n",
        b'{"resourceType":"Patient"}\n' + (BUNDLE % (ONE, TWO)) + b"\n",
    ],
)
def test_every_observation_is_found_with_its_bytes(data: bytes) -> None:
    assert [found for _, found in _read(data)] == [ONE, TWO]


def test_one_resource_alone() -> None:
    assert _read(ONE) == [("standard input:1", ONE)]
    assert _read(TWO.replace(b", ", b",\n")) == [("standard input", TWO.replace(b", ", b",\n"))]


def test_a_folder_is_read_in_order_and_without_what_is_hidden(tmp_path: Path) -> None:
    for name, data in {
        "b.json": TWO,
        "a/z.ndjson": ONE,
        ".hidden/x.json": ONE,
        "c.txt": ONE,
        "d.json": b'{"x":1}',
    }.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(data)
    assert [found for _, found in raw_lines([str(tmp_path)])] == [ONE, TWO]


def test_a_retrieval_has_a_header(tmp_path: Path) -> None:
    (tmp_path / "r.ndjson").write_bytes(HEADER + b"\n" + ONE + b"\n" + TWO)
    (tmp_path / "o.ndjson").write_bytes(ONE)
    assert [header.plan for header in headers([str(tmp_path)])] == ["p"]


@pytest.mark.parametrize(
    ("data", "place"),
    [
        (ONE + b"\n{broken\n", "standard input:2:"),
        (b'{\n "a": 1,\n oops }', "standard input:3:"),
        (b"\xff\xfe{", "standard input:1:1"),
        (b"5", "standard input:1:1"),
        (b"[" * 100_000, "standard input:1:1"),
        (b'{"resourceType":"Bundle","entry":5}', "standard input:1:1"),
        (HEADER + b"\n" + ONE + b"\n", "promises 2 Observations and 1 follow"),
        (HEADER + b"\n", "promises 2 Observations and 0 follow"),
    ],
)
def test_what_cannot_be_seen_whole_is_refused(data: bytes, place: str) -> None:
    with pytest.raises(FileRefused) as refused:
        _read(data)
    assert place in str(refused.value)


def test_nothing_gives_nothing() -> None:
    assert _read(b"") == _read(b" \n\n") == _read(b"[]") == []


def test_what_is_not_there_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="cannot be read"):
        list(raw_lines([str(tmp_path / "missing.json")]))
    with pytest.raises(WrongUse, match="standard input"):
        list(raw_lines(["-"]))
