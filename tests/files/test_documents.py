"""Files are read whole, and written whole or not at all."""

import io
import stat
from decimal import Decimal
from pathlib import Path

import pytest

from careplan_bridge.errors import InputRefused, WrongUse
from careplan_bridge.files import documents
from careplan_bridge.files.documents import LineFile
from tests.fixtures.demo import plan


def test_numbers_keep_their_digits(tmp_path: Path) -> None:
    documents.write(tmp_path / "new" / "a.json", {"a": Decimal("1.50")})
    assert (tmp_path / "new" / "a.json").read_bytes() == b'{\n  "a": 1.50\n}\n'


def test_only_its_owner_may_read_what_was_written(tmp_path: Path) -> None:
    documents.write(tmp_path / "a.json", {})
    assert stat.S_IMODE((tmp_path / "a.json").stat().st_mode) == 0o600


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    documents.write_bytes(tmp_path / "a.json", b"old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(WrongUse, match="no space left on device"):
        documents.write_bytes(tmp_path / "a.json", b"new")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("a.json", b"old")]


def test_a_folder_in_the_way_is_said_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"")
    for path in (tmp_path / "a" / "b.json", tmp_path):
        with pytest.raises(WrongUse, match="cannot be written"):
            documents.write(path, {})
    with pytest.raises(WrongUse, match="cannot be read"):
        documents.read_bytes(tmp_path)


def test_a_plan_comes_back_as_it_was(tmp_path: Path) -> None:
    documents.write(tmp_path / "plan.json", plan("shoulder-quay-01"))
    assert documents.read_plan(tmp_path / "plan.json") == plan("shoulder-quay-01")


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b'{"document":"plan"}', b"\xff", b"[" * 100_000])
def test_what_is_no_document_is_refused_without_repeating_it(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "x.json").write_bytes(data)
    for read in (documents.read_plan, documents.read_decision, documents.read_check):
        with pytest.raises(InputRefused, match=r"x\.json: this is (our document 'plan', )?no "):
            read(tmp_path / "x.json")


def test_lines_are_on_the_disk_before_the_next_begins(tmp_path: Path) -> None:
    with LineFile(tmp_path / "r" / "lines.ndjson") as lines:
        lines.add({"a": 1})
        assert (tmp_path / "r" / "lines.ndjson").read_bytes() == b'{"a":1}\n'


def test_lines_without_a_path_go_where_they_are_sent() -> None:
    out = io.StringIO()
    with LineFile(None, out) as lines:
        lines.add({"a": Decimal("1.0")})
    assert out.getvalue() == '{"a":1.0}\n'
