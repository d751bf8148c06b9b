"""The case files: what the site declares, the Observations, and what must come out; for the tests and for the page of examples."""

from collections.abc import Mapping
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import yaml

from careplan_bridge.model.conventions import Conventions, LocalCode

CASES = Path(__file__).parent / "cases"
FILES = sorted(CASES.rglob("*.yaml"))
SYSTEM, CODE = "https://example.org/alder-quay", "SITE"
PLAIN: Mapping[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"coding": [{"system": SYSTEM, "code": CODE}]},
    "effectiveDateTime": "2026-03-23T10:15:00+01:00",
}
FIXED = ("measure", "arc", "side")


def _digits(loader: Any, node: Any) -> Decimal:
    return Decimal(loader.construct_scalar(node))


_VERBATIM: Any = type("VerbatimLoader", (getattr(yaml, "CSafeLoader", yaml.SafeLoader),), {})
_VERBATIM.add_constructor("tag:yaml.org,2002:float", _digits)


@cache
def written(file: Path) -> dict[str, Any]:
    return yaml.load(file.read_text(), _VERBATIM)  # noqa: S506 - a safe loader whose numbers keep their digits


def observations(case: dict[str, Any]) -> list[dict[str, Any]]:
    return [{**PLAIN, "id": f"o{index}", **one} for index, one in enumerate(case["observations"])]


def conventions(case: dict[str, Any]) -> Conventions:
    declared = msgspec.convert(case.get("conventions", {}), Conventions)
    code = case.get("code")
    if code is None:
        return declared
    qualifiers = {name: value for name, value in code.items() if name not in FIXED}
    facts = {name: code[name] for name in FIXED if name in code}
    return msgspec.structs.replace(
        declared, codes=(*declared.codes, LocalCode(system=SYSTEM, code=CODE, qualifiers=qualifiers, **facts))
    )
