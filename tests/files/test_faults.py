"""Files with faults, each beside what `check` says of it: every fault at once, with its place and what would mend it.

To add one, put the file into its folder and run `python -m tests.files.test_faults`; then read what it wrote.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from careplan_bridge.endpoint.endpoint_file import check_endpoint
from careplan_bridge.errors import Fault
from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.conventions_file import check_conventions
from careplan_bridge.protocol.case_file import check_case
from careplan_bridge.protocol.protocol_file import check_protocol

FOLDER = Path(__file__).parent / "faulty"
FILES = sorted(path for path in FOLDER.glob("*/*") if path.suffix in (".yaml", ".toml"))
CHECKS: dict[str, Callable[[bytes, str], tuple[Fault, ...]]] = {
    "protocol": lambda data, name: check_protocol(data, name, catalogue()),
    "case": check_case,
    "endpoint": check_endpoint,
    "conventions": lambda data, name: check_conventions(data, name, catalogue()),
}


def _said(path: Path) -> str:
    faults = CHECKS[path.parent.name](path.read_bytes(), path.name)
    return "".join(f"{fault}\n" for fault in faults)


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_every_fault_is_said_at_once(path: Path) -> None:
    assert _said(path) == path.with_suffix(".txt").read_text(encoding="utf-8")


if __name__ == "__main__":
    for file in FILES:
        file.with_suffix(".txt").write_text(_said(file), encoding="utf-8")
