"""A protocol as FHIR definitions: everything another system needs to read the plans made from it."""

from careplan_bridge.fhir.activity_definitions import activity_definitions
from careplan_bridge.fhir.code_systems import code_systems
from careplan_bridge.fhir.concept_map import concept_map
from careplan_bridge.fhir.conformity import conforming
from careplan_bridge.fhir.definitions import Source
from careplan_bridge.fhir.elements import Resource
from careplan_bridge.fhir.extension_definitions import extension_definitions
from careplan_bridge.fhir.plan_definition import plan_definition
from careplan_bridge.fhir.questionnaire import questionnaire
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.protocol import Protocol


def protocol_resources(protocol: Protocol, catalogue: Catalogue, clinic: Clinic) -> tuple[Resource, ...]:
    """What others stand on comes first: StructureDefinitions, CodeSystems, ConceptMap, ActivityDefinitions, Questionnaire,
    PlanDefinition. The same protocol, catalogue and clinic give the same bytes. Raises OurFault where one is not valid R4.
    """
    source = Source(protocol, catalogue, clinic)
    made = (
        *extension_definitions(),
        *code_systems(source),
        concept_map(source),
        *activity_definitions(source),
        questionnaire(source),
        plan_definition(source),
    )
    return tuple(conforming(resource) for resource in made)
