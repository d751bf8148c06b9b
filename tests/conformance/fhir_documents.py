"""Finds every FHIR resource among the repository's data: whole files, lines of NDJSON, parts of other documents."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from tests.conformance.real_parts import REPOSITORY
from tests.conformance.validator import DEFINITIONS


@dataclass(frozen=True, slots=True)
class Found:
    """A resource as it stands in a file; `where` is the file, with a line or a path into it where that is needed."""

    where: str
    resource: str | dict[str, Any]


def _snapshot_folders() -> list[Path]:
    return sorted(p for p in (REPOSITORY / "tests").rglob("snapshots") if p.is_dir())


FOLDERS = [REPOSITORY / "fixtures", *_snapshot_folders()]


def resources(folders: Iterable[Path], root: Path = REPOSITORY) -> list[Found]:
    """Every resource in the JSON and NDJSON files of the folders, in the order of their paths."""
    return [found for folder in folders for path in sorted(folder.rglob("*")) for found in _in_file(path, root)]


def definition_files(folders: Iterable[Path]) -> list[Path]:
    """The files that are a CodeSystem, a ValueSet or a StructureDefinition."""
    files = (path for folder in folders for path in sorted(folder.rglob("*.json")))
    return [path for path in files if _type_of(_parsed(path.read_text(encoding="utf-8"))) in DEFINITIONS]


def _in_file(path: Path, root: Path) -> Iterator[Found]:
    where = str(path.relative_to(root))
    if path.suffix == ".json":
        yield from _in_text(path.read_text(encoding="utf-8"), where)
    elif path.suffix == ".ndjson":
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            yield from _in_text(line, f"{where}:{number}")


def _in_text(text: str, where: str) -> Iterator[Found]:
    document = _parsed(text)
    if _type_of(document) is not None:
        yield Found(where, text)  # the digits of its numbers are judged as written
    else:
        yield from _inside(document, where)


def _inside(value: object, where: str) -> Iterator[Found]:
    if _type_of(value) is not None:
        yield Found(where, cast("dict[str, Any]", value))
    elif isinstance(value, dict):
        for key, part in cast("dict[str, object]", value).items():
            yield from _inside(part, f"{where}#{key}")
    elif isinstance(value, list):
        for index, part in enumerate(cast("list[object]", value)):
            yield from _inside(part, f"{where}[{index}]")


def _parsed(text: str) -> object:
    """None for what is no JSON: inputs that are broken on purpose are other tests' subject."""
    try:
        return json.loads(text)
    except ValueError:
        return None


def _type_of(value: object) -> str | None:
    if not isinstance(value, dict):
        return None
    found = cast("dict[str, object]", value).get("resourceType")
    return found if isinstance(found, str) else None
