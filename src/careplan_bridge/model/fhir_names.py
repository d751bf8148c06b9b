"""FHIR names that reading and writing share: canonical URLs and code systems."""

UCUM = "http://unitsofmeasure.org"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"

# Our own extension needs a URL that no clinic has to choose: an Observation may be read before any clinic is declared.
MEASURE_QUALIFIER_EXTENSION = "https://careplan-bridge.example/StructureDefinition/measure-qualifier"
QUALIFIER_NAME = "name"  # sub-extension, valueCode or valueString: a qualifier of the measure, or "side"
QUALIFIER_VALUE = "value"  # sub-extension, valueCode, valueString or valueQuantity

MEASURE_CODE_SYSTEM = "/CodeSystem/measure"  # below the clinic's base: one code a measure, the code is the measure's id
LEVEL_CODE_SYSTEM = "/CodeSystem/level"  # below the clinic's base: the code is a level's name
FINDING_CODE_SYSTEM = "/finding"  # below the protocol's url: one code a finding or red flag

LATERALITY_EXTENSION = "http://hl7.org/fhir/us/mcode/StructureDefinition/mcode-laterality-qualifier"

PLAN_IDENTIFIER = "/identifier/plan"  # below the clinic's base, as are the next two
GOAL_IDENTIFIER = "/identifier/goal"
DECISION_IDENTIFIER = "/identifier/decision"


def goal_value(plan: str, stage: str, criterion: str) -> str:
    """The value of a Goal's business identifier."""
    return f"{plan}/{stage}/{criterion}"
