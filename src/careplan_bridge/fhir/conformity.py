"""The last look at a resource of ours before it leaves: structure by the R4B models, codes and invariants by our own table.

The models only look. They would write 90.0 as 90 and rewrite moments, so what leaves is the dict we built.
"""

import json

from pydantic import ValidationError

from careplan_bridge.errors import OurFault
from careplan_bridge.fhir import bindings, raw
from careplan_bridge.fhir.elements import Resource


def conforming(resource: Resource) -> Resource:
    """The resource itself. Raises OurFault where it is not valid R4 as far as can be told without a terminology server."""
    _check_structure(resource)
    return bindings.check(resource)


def _check_structure(resource: Resource) -> None:
    # Half a second to import, so only those who make resources pay for it.
    from fhir.resources.R4B import get_fhir_model_class  # noqa: PLC0415

    kind = resource["resourceType"]
    try:
        get_fhir_model_class(kind).model_validate(json.loads(raw.encode(resource)))
    except ValueError as error:
        # The model's text quotes values, which may be of a person; the places are enough to find the fault.
        raise OurFault(f"A {kind} we made does not have the structure of R4: {', '.join(_places(error))}.") from None


def _places(error: ValueError) -> list[str]:
    found = error.errors() if isinstance(error, ValidationError) else []
    return sorted({".".join(map(str, one["loc"])) or one["type"] for one in found}) or [type(error).__name__]
