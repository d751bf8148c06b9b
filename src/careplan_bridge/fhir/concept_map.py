"""Where our measures stand in LOINC and SNOMED CT. No mapping is said to be verified that nobody verified."""

from careplan_bridge.fhir.definitions import Source
from careplan_bridge.fhir.elements import Element, Resource, filled
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.measure import MeasureCode

PATH = "/ConceptMap/measure"
COPYRIGHT = (
    "This material contains content from LOINC (http://loinc.org). LOINC is copyright Regenstrief Institute, Inc. and the LOINC "
    "Committee and is available at no cost under the license at http://loinc.org/license. SNOMED CT identifiers belong to SNOMED "
    "International; their use may need a licence."
)


def concept_map(source: Source) -> Resource:
    """One group a terminology. A code that fixes side or qualifiers, which our measures leave open, is narrower."""
    head = source.of_catalogue(
        "ConceptMap",
        PATH,
        "measure-map",
        title=f"Clinical measures of {source.clinic.name} in LOINC and SNOMED CT",
        description="From the codes of our measures to codes seen in published material. "
        "Every mapping must be checked by a person in the official browsers before clinical use.",
    )
    systems = dict.fromkeys(code.system for code in source.catalogue.codes)
    return {**head, "copyright": COPYRIGHT, "group": [_group(source, system) for system in systems]}


def _group(source: Source, system: str) -> Element:
    by_measure: dict[str, list[MeasureCode]] = {}
    for code in source.catalogue.codes:
        if code.system == system:
            by_measure.setdefault(code.measure, []).append(code)
    return {
        "source": source.clinic.base + names.MEASURE_CODE_SYSTEM,
        "target": system,
        "element": [_element(source, measure, codes) for measure, codes in by_measure.items()],
    }


def _element(source: Source, measure: str, codes: list[MeasureCode]) -> Element:
    facts = source.catalogue.measures.get(measure)
    return filled(
        {"code": measure, "display": facts.term if facts else None, "target": [_target(code) for code in codes]}
    )


def _target(code: MeasureCode) -> Element:
    return {"code": code.code, "equivalence": _equivalence(code), "comment": "; ".join(_comment(code)) + "."}


def _equivalence(code: MeasureCode) -> str:
    if code.reads_as in ("panel", "raw-extension"):
        return "relatedto"
    return "narrower" if code.side or code.qualifiers else "equivalent"


def _comment(code: MeasureCode) -> list[str]:
    fixed = [f"side {code.side}"] if code.side else []
    fixed += [f"{name} {value}" for name, value in code.qualifiers.items()]
    says = ["checked by a person" if code.verified else "unverified: nobody has checked this code"]
    says += [f"the code fixes {', '.join(fixed)}"] if fixed else []
    says += [f"it leaves open {', '.join(code.needs)}"] if code.needs else []
    says += [_READS_AS[code.reads_as]] if code.reads_as in _READS_AS else []
    return [*says, f"seen {code.seen} in published material"]


_READS_AS = {
    "panel": "a panel without a value of its own",
    "raw-extension": "extension without a common sign: which end of the scale is meant, the site says",
    "deprecated": "the code is deprecated",
}
