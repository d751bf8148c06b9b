"""Writes the JSON Schemas of our files and documents to docs/schemas. With --check it only says whether they are up to date."""

import json
import sys
from pathlib import Path

from careplan_bridge.endpoint.endpoint_file import EndpointPart
from careplan_bridge.files import shipped
from careplan_bridge.files.schemas import Schema, of_document, of_file
from careplan_bridge.measures.conventions_file import ConventionsPart
from careplan_bridge.model.capabilities import CapabilitiesReport, Health
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.ledger import ExportHeader, ExportLine, Purge, Verification
from careplan_bridge.model.next_visit import NextVisit
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.printed import Faults, Response, Signing
from careplan_bridge.model.reading import Readings
from careplan_bridge.model.receipt import Receipt
from careplan_bridge.model.retrieval import RetrievalHeader
from careplan_bridge.model.route import Forecast
from careplan_bridge.model.run import PlanResult, RunHeader, RunSummary
from careplan_bridge.protocol.case_shape import CasePart
from careplan_bridge.protocol.shape import ProtocolPart

FOLDER = Path(__file__).resolve().parents[1] / "docs" / "schemas"
FILES = {
    "protocol-file": ProtocolPart,
    "case-file": CasePart,
    "endpoint-file": EndpointPart,
    "conventions-file": ConventionsPart,
}


def schemas() -> dict[str, Schema]:
    """Every schema by its name."""
    catalogue = shipped.catalogue()
    return {name: of_file(model, catalogue) for name, model in FILES.items()} | {
        "plan": of_document([Plan], "Plan"),
        "decision": of_document([Decision], "Decision"),
        "criteria-check": of_document([CriteriaCheck], "Criteria check", flat=True),
        "next-visit": of_document([NextVisit], "Next visit"),
        "readings": _readings(),
        "signing": of_document([Signing], "What became of a signature"),
        "response": of_document([Response], "A clinician's response"),
        "faults": of_document([Faults], "Faults of files"),
        "ledger-verification": of_document([Verification], "Verification of a ledger"),
        "ledger-purge": of_document([Purge], "What a purge removed"),
        "ledger-export": of_document([ExportHeader, ExportLine], "One line of an export of a ledger"),
        "capabilities": of_document([CapabilitiesReport], "Capabilities of an endpoint"),
        "health": of_document([Health], "Health of an endpoint"),
        "forecast": of_document([Forecast], "Forecast"),
        "receipt": of_document([Receipt], "Receipt"),
        "retrieval-header": of_document([RetrievalHeader], "First line of a retrieval"),
        "sync-results": of_document([RunHeader, PlanResult, RunSummary], "One line of a results file"),
    }


def _readings() -> Schema:
    schema = of_document([Readings], "Readings", flat=True)
    said = {"type": "array", "items": {"type": "string"}}
    own = {"document": {"const": "readings"}, "version": {"const": 1}, "cautions": said}
    part = schema["$defs"]["Readings"]
    part["properties"] = {**own, **part["properties"]}
    part["required"] = [*own, *part["required"]]
    return schema


def text(schema: Schema) -> str:
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def outdated() -> list[str]:
    """Names of schemas that are missing in the folder or differ, and of files there that no schema accounts for."""
    written = {path.stem: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    current = {name: text(schema) for name, schema in schemas().items()}
    return sorted(name for name in written.keys() | current.keys() if written.get(name) != current.get(name))


def main(arguments: list[str]) -> int:
    if "--check" in arguments:
        names = outdated()
        print(f"out of date: {', '.join(names)}; run scripts/schemas.py" if names else "up to date")
        return 1 if names else 0
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, schema in schemas().items():
        (FOLDER / f"{name}.json").write_text(text(schema), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
