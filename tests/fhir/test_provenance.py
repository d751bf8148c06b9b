"""The trail of a decision: who signed, on which evidence, what was written."""

from pathlib import Path

import pytest

from careplan_bridge.fhir.provenance import provenance
from careplan_bridge.model.decision import Kind
from tests.fhir import demo
from tests.fhir.decided import SIGNED, decision
from tests.snapshots import assert_matches

SNAPSHOTS = Path(__file__).with_name("snapshots") / "decisions"
EVIDENCE = ("Observation/flexion-2/_history/4", f"Observation/effusion-1#{'ab' * 32}", f"visit.ndjson:3#{'cd' * 32}")
TARGETS = ("CarePlan/plan-1/_history/2", "Goal/goal-1/_history/2")
ACL = demo.plan("acl-quay-01")


@pytest.mark.parametrize(("kind", "stage"), [("advance", None), ("discharge", "discharge")])
def test_the_provenance_of_a_decision(kind: Kind, stage: str | None) -> None:
    made = decision(ACL, kind, stage, EVIDENCE)
    assert_matches(SNAPSHOTS / f"{kind}-provenance.json", provenance(ACL, made, TARGETS, SIGNED))


def test_versions_stand_in_the_reference_and_beside_it() -> None:
    made = provenance(ACL, decision(ACL, "advance", None, EVIDENCE), TARGETS, SIGNED)
    assert [one["reference"] for one in made["target"]] == list(TARGETS)
    assert [one["extension"][0]["valueString"] for one in made["target"]] == ["2", "2"]
    kept = [one["what"] for one in made["entity"] if "reference" in one["what"]]
    assert [(one["reference"], one["extension"][0]["valueString"]) for one in kept] == [
        ("Observation/flexion-2/_history/4", "4"),
        ("Observation/effusion-1", f"sha256:{'ab' * 32}"),
    ]


def test_decision_and_check_are_named_by_identifier() -> None:
    made = decision(ACL, "advance")
    named = [one["what"]["identifier"]["value"] for one in provenance(ACL, made, TARGETS, SIGNED)["entity"]]
    assert named == [made.id, made.digest]


def test_every_signer_is_an_author_for_the_clinic() -> None:
    agents = provenance(ACL, decision(ACL, "discharge", "discharge"), TARGETS, SIGNED)["agent"]
    kinds = [one["type"]["coding"][0]["code"] for one in agents]
    assert kinds == ["author", "author", "assembler"]
    assert [one["role"][0]["text"] for one in agents[:2]] == ["therapist", "surgeon"]
    assert {one["onBehalfOf"]["display"] for one in agents} == {"Alder Quay Rehabilitation"}
