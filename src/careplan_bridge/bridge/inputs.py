"""Our own files: found out what they are, checked, and read.

Each function brings in the room it needs itself: reading a case waits for nothing that only endpoint files need.
"""

import re
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace

from careplan_bridge.errors import Fault, InputRefused, WrongUse
from careplan_bridge.files import documents

if TYPE_CHECKING:
    from careplan_bridge.model.case import Case
    from careplan_bridge.model.conventions import Conventions
    from careplan_bridge.model.endpoint import Endpoint
    from careplan_bridge.model.measure import Catalogue
    from careplan_bridge.model.protocol import Protocol

# ruff: noqa: PLC0415

# A line that tells what a file is.
_FIRST_KEYS = {
    "protocol": rb"^protocol\s*:",
    "case": rb"^case\s*:",
    "endpoint": rb"^environment\s*=",
    "conventions": rb"^\[(clinic|conventions|codes|plausible)\]",
}
_NAMES = {
    "protocol": "a protocol file",
    "case": "a case file",
    "endpoint": "an endpoint file",
    "conventions": "a conventions file",
}


def check(path: Path, kind: str | None = None) -> tuple[Fault, ...]:
    """Every fault and warning of a file of ours, in the order of its lines; `kind` overrides what the file looks like."""
    data = documents.read_bytes(path)
    return _CHECKS[kind or kind_of(path, data)](data, str(path))


def kind_of(path: Path, data: bytes) -> str:
    """protocol, case, endpoint or conventions, by suffix and the first key that tells. Raises WrongUse for other suffixes."""
    if path.suffix in (".yaml", ".yml"):
        return "case" if _tells(data, "case") else "protocol"
    if path.suffix == ".toml":
        return "endpoint" if _tells(data, "endpoint") else "conventions"
    raise WrongUse(
        f"{path} is neither YAML (protocol, case) nor TOML (endpoint, conventions); say which it is with --as."
    )


def _of_kind(kind: str, path: Path) -> bytes:
    """The contents of a file that is to be of this kind. Raises InputRefused in one sentence where it is plainly another."""
    data = documents.read_bytes(path)
    others = [other for other in _FIRST_KEYS if other != kind and _tells(data, other)]
    if others and not _tells(data, kind):
        raise InputRefused(f"{path}: this is {_NAMES[others[0]]}; {_NAMES[kind]} is needed here.")
    return data


def _tells(data: bytes, kind: str) -> bool:
    return re.search(_FIRST_KEYS[kind], data, re.MULTILINE) is not None


def protocol(path: Path) -> "Protocol":
    """A protocol file. Raises FileRefused with every fault it has."""
    from careplan_bridge.protocol.protocol_file import read_protocol

    return read_protocol(_of_kind("protocol", path), str(path), _catalogue())


def case(path: Path) -> "Case":
    """A case file. Raises FileRefused with every fault it has."""
    from careplan_bridge.protocol.case_file import read_case

    return read_case(_of_kind("case", path), str(path))


def conventions(path: Path) -> "Conventions":
    """A conventions file. Raises FileRefused with every fault it has."""
    from careplan_bridge.measures.conventions_file import read_conventions

    return read_conventions(_of_kind("conventions", path), str(path), _catalogue())


def endpoint(path: Path) -> "Endpoint":
    """An endpoint file, and the one that it names for plans. Raises FileRefused with every fault, WrongUse where that one is missing."""
    found = _endpoint(path)
    if found.roles.plans is None:
        return found
    place = path.parent / found.roles.plans
    if not place.is_file():
        raise WrongUse(
            f"{path}: `[roles]` names {place} as the endpoint file of the server for plans; there is no such file."
        )
    record = _endpoint(place)
    if record.roles.plans is not None:
        raise WrongUse(f"{place}: this is the server for plans of {path}; it can't name yet another one in `[roles]`.")
    return replace(found, record=record)


def _endpoint(path: Path) -> "Endpoint":
    from careplan_bridge.endpoint.endpoint_file import read_endpoint

    return read_endpoint(_of_kind("endpoint", path), str(path))


def _check_protocol(data: bytes, name: str) -> tuple[Fault, ...]:
    from careplan_bridge.protocol.protocol_file import check_protocol

    return check_protocol(data, name, _catalogue())


def _check_case(data: bytes, name: str) -> tuple[Fault, ...]:
    from careplan_bridge.protocol.case_file import check_case

    return check_case(data, name)


def _check_conventions(data: bytes, name: str) -> tuple[Fault, ...]:
    from careplan_bridge.measures.conventions_file import check_conventions

    return check_conventions(data, name, _catalogue())


def _check_endpoint(data: bytes, name: str) -> tuple[Fault, ...]:
    from careplan_bridge.endpoint.endpoint_file import check_endpoint

    return check_endpoint(data, name)


def _catalogue() -> "Catalogue":
    from careplan_bridge.files import shipped

    return shipped.catalogue()


_CHECKS = {
    "protocol": _check_protocol,
    "case": _check_case,
    "conventions": _check_conventions,
    "endpoint": _check_endpoint,
}
