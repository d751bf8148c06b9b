"""Patients that are no longer who they were."""

from careplan_bridge.sandbox.jsontext import Resource
from careplan_bridge.sandbox.misbehaviours.answers import instead, with_resource
from careplan_bridge.sandbox.misbehaviours.kind import Kind, always
from careplan_bridge.sandbox.misbehaviours.requests import is_about_patient


def _merged(patient: Resource) -> Resource:
    return {**patient, "active": False, "link": [{"type": "replaced-by", "other": {"reference": "Patient/other"}}]}


KINDS = (
    Kind(
        "patient-unknown",
        "A patient that is hidden from our login, or never was.",
        always(is_about_patient, instead(404, "not-found")),
    ),
    Kind("patient-gone", "A patient that was deleted.", always(is_about_patient, instead(410, "deleted"))),
    Kind("patient-merged", "A patient that was merged into another.", always(is_about_patient, with_resource(_merged))),
    Kind(
        "patient-inactive",
        "A patient whose record is no longer in use.",
        always(is_about_patient, with_resource(lambda each: {**each, "active": False})),
    ),
    Kind(
        "patient-exchanged",
        "A read that is answered with the patient that survived a merge.",
        always(is_about_patient, with_resource(lambda each: {**each, "id": "survivor"})),
    ),
)
