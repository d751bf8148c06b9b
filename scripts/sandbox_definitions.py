#!/usr/bin/env python3
"""Write the sandbox's table of R4 definitions from HL7's package hl7.fhir.r4.core 4.0.1 (CC0-1.0).

    python scripts/sandbox_definitions.py hl7.fhir.r4.core.tgz

The table holds, for the resource types the sandbox stores and every datatype they reach, one line per element:
cardinality, types, and for a required binding the value set whose codes are listed beside it. `links` names the
elements that a reference search parameter looks at: the ones whose targets a server with referential integrity checks.

    "status": "1..1 code ^observation-status"
    "subject": "0..1 Reference(Patient,Group,Device,Location)"
    "value[x]": "0..1 Quantity|CodeableConcept|string|boolean|..."
"""

import json
import re
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

RESOURCES = [
    "ActivityDefinition", "Bundle", "CapabilityStatement", "CarePlan", "CodeSystem", "Communication", "ConceptMap",
    "Condition", "Device", "DocumentReference", "Encounter", "Flag", "Goal", "Group", "Observation",
    "OperationOutcome", "Organization", "Patient", "PlanDefinition", "Practitioner", "PractitionerRole", "Procedure",
    "Provenance", "Questionnaire", "QuestionnaireResponse", "RequestGroup", "ServiceRequest", "StructureDefinition",
    "Task", "ValueSet",
]  # fmt: skip
TARGET = Path(__file__).parents[1] / "src" / "careplan_bridge" / "sandbox" / "definitions.json"
BASE = "http://hl7.org/fhir/StructureDefinition/"
VALUE_SETS = "http://hl7.org/fhir/ValueSet/"
SYSTEM_TYPES = {"Boolean": "boolean", "Integer": "integer", "Decimal": "decimal", "String": "string"}
NESTED = {"BackboneElement", "Element"}

Json = dict[str, Any]


class Package:
    """The package's canonical resources by file name stem and by url."""

    def __init__(self, path: Path) -> None:
        self.by_name: dict[str, Json] = {}
        self.by_url: dict[str, Json] = {}
        for name, resource in _members(path):
            self.by_name[name] = resource
            self.by_url.setdefault(resource.get("url", name), resource)

    def structure(self, type_name: str) -> Json | None:
        return self.by_name.get(f"StructureDefinition-{type_name}")


def _members(path: Path) -> Iterator[tuple[str, Json]]:
    wanted = tuple(f"package/{kind}-" for kind in ("StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter"))
    with tarfile.open(path) as archive:
        for member in archive:
            if member.name.startswith(wanted) and (file := archive.extractfile(member)):
                yield Path(member.name).stem, json.load(file)


class Table:
    """Grows from the resource types by following every type that an element names."""

    def __init__(self, package: Package) -> None:
        self.package = package
        self.types: dict[str, dict[str, str]] = {}
        self.primitives: dict[str, str] = {}
        self.codes: dict[str, dict[str, list[str]]] = {}
        self.open_value_sets: set[str] = set()

    def add(self, type_name: str) -> None:
        definition = self.package.structure(type_name)
        if type_name in self.types or type_name in self.primitives or definition is None:
            return
        if definition["kind"] == "primitive-type":
            self.primitives[type_name] = _pattern(definition)
        else:
            self._add_structure(type_name, definition)

    def _add_structure(self, type_name: str, definition: Json) -> None:
        self.types[type_name] = {}
        for element in definition["snapshot"]["element"][1:]:
            parent, _, name = element["path"].rpartition(".")
            self.types.setdefault(parent, {})[name] = self._line(element)

    def _line(self, element: Json) -> str:
        cardinality = f"{element['min']}..{element['max']}"
        return " ".join([cardinality, "|".join(self._types(element)), *self._binding(element)])

    def _types(self, element: Json) -> Iterator[str]:
        if reference := element.get("contentReference"):
            yield reference.removeprefix("#")
        for entry in element.get("type", []):
            yield self._type(element["path"], entry)

    def _type(self, path: str, entry: Json) -> str:
        code = entry["code"].removeprefix("http://hl7.org/fhirpath/System.")
        if entry["code"] in NESTED:
            return path
        if code != entry["code"]:
            code = "id" if self._is_resource_id(path) else _plain(entry, code)
        if BASE + "SimpleQuantity" in entry.get("profile", []):
            code = "SimpleQuantity"
        self.add("Quantity" if code == "SimpleQuantity" else code)
        targets = [url.removeprefix(BASE) for url in entry.get("targetProfile", [])]
        return f"{code}({','.join(targets)})" if code == "Reference" and targets else code

    def _is_resource_id(self, path: str) -> bool:
        owner, _, name = path.partition(".")
        return name == "id" and (self.package.structure(owner) or {}).get("kind") == "resource"

    def _binding(self, element: Json) -> Iterator[str]:
        binding = element.get("binding", {})
        if binding.get("strength") != "required" or "valueSet" not in binding:
            return
        url = binding["valueSet"].partition("|")[0]
        name = url.removeprefix(VALUE_SETS)
        if name not in self.codes and (codes := self._expand(url)):
            self.codes[name] = codes
        if name in self.codes:
            yield f"^{name}"
        else:
            self.open_value_sets.add(name)

    def _expand(self, url: str) -> dict[str, list[str]] | None:
        value_set = self.package.by_url.get(url)
        if value_set is None or "exclude" in value_set["compose"]:
            return None
        codes: dict[str, list[str]] = {}
        for include in value_set["compose"]["include"]:
            found = self._included(include)
            if found is None:
                return None
            for system, members in found.items():
                codes.setdefault(system, []).extend(members)
        return codes

    def _included(self, include: Json) -> dict[str, list[str]] | None:
        if "filter" in include:
            return None
        if "valueSet" in include:
            return self._expand(include["valueSet"][0])
        system = self.package.by_url.get(include["system"], {})
        concepts = include.get("concept") or system.get("concept")
        return {include["system"]: list(_codes(concepts))} if concepts else None


def _plain(entry: Json, code: str) -> str:
    stated = [e["valueUrl"] for e in entry.get("extension", []) if "valueUrl" in e]
    return stated[0] if stated else SYSTEM_TYPES[code]


def _pattern(definition: Json) -> str:
    """The regular expression of the primitive's value; empty where the definition has none."""
    for entry in definition["snapshot"]["element"][-1]["type"]:
        for extension in entry.get("extension", []):
            if extension["url"] == BASE + "regex":
                return extension["valueString"]
    return ""


def _codes(concepts: list[Json]) -> Iterator[str]:
    for concept in concepts:
        yield concept["code"]
        yield from _codes(concept.get("concept", []))


_PATH = re.compile(
    r"\(?(?P<path>[A-Z]\w+(\.\w+)+?)( as Reference\))?(\.as\(Reference\))?(\.where\(resolve\(\) is \w+\))?"
)


def _links(package: Package) -> dict[str, list[str]]:
    """Element paths of the reference search parameters, by resource type."""
    found: dict[str, set[str]] = {name: set() for name in RESOURCES}
    for resource in package.by_name.values():
        if resource["resourceType"] == "SearchParameter" and resource["type"] == "reference":
            for part in resource.get("expression", "").split("|"):
                if match := _PATH.fullmatch(part.strip()):
                    owner, _, path = match["path"].partition(".")
                    found.get(owner, set()).add(path)
    return {name: sorted(paths) for name, paths in found.items() if paths}


def build(package: Package) -> Json:
    table = Table(package)
    for name in ["Element", "Extension", "Meta", *RESOURCES]:
        table.add(name)
    known = package.by_name["CodeSystem-resource-types"]["concept"]
    return {
        "source": "StructureDefinitions, ValueSets and CodeSystems of hl7.fhir.r4.core",
        "version": "4.0.1",
        "license": "CC0-1.0",
        "written_by": "scripts/sandbox_definitions.py",
        "resources": RESOURCES,
        "known_resources": sorted(_codes(known)),
        "primitives": dict(sorted(table.primitives.items())),
        "links": _links(package),
        "types": dict(sorted(table.types.items())),
        "codes": {name: _tidy(table.codes[name]) for name in sorted(table.codes)},
        "not_expandable": sorted(table.open_value_sets),
    }


def _tidy(codes: dict[str, list[str]]) -> dict[str, list[str]]:
    return {system: sorted(set(members)) for system, members in sorted(codes.items())}


def main(arguments: list[str]) -> int:
    if len(arguments) != 1:
        print("usage: sandbox_definitions.py HL7.FHIR.R4.CORE.TGZ", file=sys.stderr)
        return 2
    text = json.dumps(build(Package(Path(arguments[0]))), indent=0, ensure_ascii=False)
    TARGET.write_text(text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
