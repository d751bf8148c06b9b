"""FHIR names that reading and writing share: canonical URLs and code systems."""

UCUM = "http://unitsofmeasure.org"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
URI_SYSTEM = "urn:ietf:rfc:3986"  # of identifiers whose value is a URI

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


# Code systems of a protocol, below its url; the code is the stage's, restriction's or precaution's id.
STAGE_CODE_SYSTEM = "/stage"
RESTRICTION_CODE_SYSTEM = "/restriction"
PRECAUTION_CODE_SYSTEM = "/precaution"
ORDERED_PRECAUTION_SYSTEM = "/ordered-precaution"  # of one person only, so it is published nowhere

PERSON_IDENTIFIER = "/identifier/person"  # below the clinic's base, as are the next two
CHECK_IDENTIFIER = "/identifier/criteria-check"  # the value is the check's digest
BRIDGE_IDENTIFIER = "/identifier/device"
BRIDGE = "careplan-bridge"

EXTENSIONS = "https://careplan-bridge.example/StructureDefinition"
CRITERION_EXTENSION = f"{EXTENSIONS}/criterion"
CONDITION_EXTENSION = f"{EXTENSIONS}/condition"
LIFTED_BY_EXTENSION = f"{EXTENSIONS}/lifted-by"
WHEN_PERFORMED_EXTENSION = f"{EXTENSIONS}/when-performed"
WINDOW_EXTENSION = f"{EXTENSIONS}/window"
SIGNATURE_EXTENSION = f"{EXTENSIONS}/signature"
VERSION_USED_EXTENSION = f"{EXTENSIONS}/version-used"

GOAL_CATEGORY = "http://terminology.hl7.org/CodeSystem/goal-category"
GOAL_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
PLAN_DEFINITION_TYPE = "http://terminology.hl7.org/CodeSystem/plan-definition-type"
PROVENANCE_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
ACT_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
DATA_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
US_CORE_CAREPLAN_CATEGORY = "http://hl7.org/fhir/us/core/CodeSystem/careplan-category"

# What records a decision where no CarePlan can be written. Its URL is the same for every clinic: a reader must know the entry as ours,
# and as no measurement, before any clinic is declared.
RECORD_CODE_SYSTEM = "https://careplan-bridge.example/CodeSystem/record"
DECISION_RECORD = "decision"
