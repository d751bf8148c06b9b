"""One resource of a server, as it came (I3), or that there is none."""

import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.untrusted import text
from careplan_bridge.endpoint.versions import version_of
from careplan_bridge.errors import WrongUse

NOT_FOUND, GONE = 404, 410
# An id of dots alone would be read as a folder by whatever cleans up paths on the way.
_REFERENCE = re.compile(r"(?P<type>[A-Z][A-Za-z]+)/(?P<id>(?!\.+$)[A-Za-z0-9\-.]{1,64})")


@dataclass(frozen=True, slots=True)
class Stored:
    """`version` guards an update of this resource; None where the server keeps none."""

    resource: dict[str, Any] = field(repr=False)
    version: str | None


class Missing(StrEnum):
    """Why a server has no such resource."""

    NEVER_WAS = "never was there, or is hidden from our login"
    DELETED = "was deleted"


class AnotherResource(Refused):
    """The server answered with another resource than the one asked for, as some do after a merge."""


def read(client: Client, reference: str) -> Stored | Missing:
    """Read `Type/id`. Raises WrongUse for another form, AnotherResource, Refused, LoginRefused, EndpointDown."""
    asked = _REFERENCE.fullmatch(reference)
    if asked is None:
        raise WrongUse("a reference has the form Type/id, with an id of letters, digits, - and . only")
    try:
        reply = client.get(reference, what=asked["type"])
    except Refused as refused:
        if refused.status in (NOT_FOUND, GONE):
            return Missing.DELETED if refused.status == GONE else Missing.NEVER_WAS
        raise
    resource = reply.resource()
    if (resource["resourceType"], text(resource, "id")) != (asked["type"], asked["id"]):
        raise AnotherResource(f"read {asked['type']}: the server answered with another resource than was asked for")
    return Stored(resource, version_of(reply.headers, resource))
