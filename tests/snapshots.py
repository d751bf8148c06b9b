"""Whole documents, compared with files in a `snapshots` folder beside the test.

A difference fails the test. Where the new document is right, rewrite the files and look at what git shows:

    UPDATE_SNAPSHOTS=1 python -m pytest tests/fhir

JSON is kept indented, every number as it was written.
"""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

UPDATING = bool(os.environ.get("UPDATE_SNAPSHOTS"))
_ENCODER = msgspec.json.Encoder(decimal_format="number")


def assert_matches(path: Path, document: Mapping[str, Any] | Sequence[Any] | msgspec.Struct | str) -> None:
    """Fail unless the file holds exactly this document; text is compared as it is, all else as indented JSON."""
    __tracebackhide__ = True
    text = document if isinstance(document, str) else as_json(document)
    if UPDATING and _differs(path, text):
        assert not os.environ.get("CI"), "snapshots are not rewritten in CI"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert path.is_file(), f"there is no snapshot {path}; {_HOW}"
    assert text == path.read_text(encoding="utf-8"), f"this is not what {path} holds; {_HOW}"


def as_json(document: Any) -> str:
    return msgspec.json.format(_ENCODER.encode(document), indent=1).decode() + "\n"


_HOW = "where it is right, run this test once with UPDATE_SNAPSHOTS=1 and look at the difference in git"


def _differs(path: Path, text: str) -> bool:
    return not path.is_file() or path.read_text(encoding="utf-8") != text
