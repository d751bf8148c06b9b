"""Small resources for the tests of the sandbox; everything in them is invented."""

from typing import Any

SYSTEM = "https://example.org/alder-quay/identifier"


def patient(number: str = "p1", **more: Any) -> dict[str, Any]:
    identifier = [{"system": SYSTEM, "value": number}]
    return {"resourceType": "Patient", "identifier": identifier, "birthDate": "1990-02-03", **more}


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "knee flexion"}, **more}


def goal(number: str, subject: str, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Goal",
        "identifier": [{"system": SYSTEM, "value": number}],
        "lifecycleStatus": "active",
        "description": {"text": "Full passive extension"},
        "subject": {"reference": subject},
        **more,
    }


def transaction(*entries: dict[str, Any], kind: str = "transaction") -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def entry(full_url: str, resource: dict[str, Any], method: str = "POST", **request: Any) -> dict[str, Any]:
    url = resource["resourceType"]
    return {"fullUrl": full_url, "resource": resource, "request": {"method": method, "url": url, **request}}
