"""Pieces of a large file hold its lines: none twice, none lost, wherever a piece begins and ends."""

from itertools import accumulate, chain, combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from careplan_bridge.files import export

LINES = st.lists(st.sampled_from([b"\n", b"1\n", b"\r\n", b'{"a": 1}\n']), min_size=1, max_size=6)


@given(LINES, st.integers(1, 9))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_lines_between_two_offsets(tmp_path: Path, monkeypatch: Any, lines: list[bytes], size: int):
    monkeypatch.setattr(export, "_BLOCK", size)
    path = tmp_path / "some.ndjson"
    path.write_bytes(b"".join(lines))
    begins = [0, *accumulate(map(len, lines))]
    for first, last in combinations(range(len(begins)), 2):
        found = [line for block in export.blocks(path, begins[first], begins[last]) for line in block]
        assert found == lines[first:last]


def test_a_file_that_became_shorter_ends_where_it_ends(tmp_path: Path):
    path = tmp_path / "some.ndjson"
    path.write_bytes(b"1\n")
    assert list(export.blocks(path, 0, 99)) == [[b"1\n"]]


@pytest.mark.parametrize("count", range(1, 12))
def test_no_persons_entries_lie_in_two_pieces(tmp_path: Path, count: int):
    path = tmp_path / "some.ndjson"
    people = [b'{"subject":{"reference":"Patient/%d"}}\n' % (number // 3) for number in range(12)]
    path.write_bytes(b"".join(people))
    pieces = export.ranges(path, count)
    assert [start for start, _ in pieces] + [path.stat().st_size] == [0] + [end for _, end in pieces]
    of_pieces = [{export.person(line) for block in export.blocks(path, *piece) for line in block} for piece in pieces]
    assert sum(map(len, of_pieces)) == len(set(chain(*of_pieces))) == 4
