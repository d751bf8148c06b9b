"""Identifiers of a plan: the same clinic, case and protocol always give the same ones; no patient's identifier goes in."""

from uuid import NAMESPACE_URL, uuid5

from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.fhir_names import goal_value

__all__ = ["goal_value", "plan_id"]


def plan_id(clinic: Clinic, case: str, protocol: str) -> str:
    """A UUID; every version of the protocol and every revision of the plan keeps it."""
    return str(uuid5(uuid5(NAMESPACE_URL, clinic.base), f"{case}/{protocol}"))
