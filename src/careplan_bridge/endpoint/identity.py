"""Does a server still have the patient of a plan, and as the same person?"""

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.read import AnotherResource, Missing, Stored, read
from careplan_bridge.endpoint.untrusted import objects, text


def identity_changed(client: Client, patient: str) -> str:
    """What became of the Patient, in words; empty where it is as it was. Raises Refused, LoginRefused or EndpointDown."""
    try:
        stored = read(client, patient)
    except AnotherResource:
        return "the server answers with another Patient"
    return f"the Patient {stored.value}" if isinstance(stored, Missing) else replaced(stored)


def replaced(patient: Stored) -> str:
    """Why a Patient that is there is not to be used any more; empty where it is."""
    if any(text(link, "type") == "replaced-by" for link in objects(patient.resource.get("link"))):
        return "the Patient was merged into another"
    return "the Patient is marked as not active" if patient.resource.get("active") is False else ""
