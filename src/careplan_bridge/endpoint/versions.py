"""Which resource an answer is about, and in which version."""

import re
from collections.abc import Hashable, Mapping
from typing import Any

from careplan_bridge.endpoint.untrusted import an_object, text
from careplan_bridge.fhir import raw

_LOCATION = re.compile(
    r"(?:.*/)?(?P<ref>[A-Z][A-Za-z]+/[\w\-.]{1,64}?)(?:/_history/(?P<version>[\w\-.]{1,64}))?/?", re.ASCII
)
# Some servers send a strong ETag where FHIR wants a weak one.
_ETAG = re.compile(r'(?:W/)?"(?P<version>[^"]+)"')
_ID = re.compile(r"[\w\-.]{1,64}", re.ASCII)


def reference_of(headers: Mapping[str, str], resource: Mapping[str, Any]) -> str:
    """`Type/id` by the Location header, else by the body; empty where neither says. Header names in lower case."""
    location = _location(headers)
    return location["ref"] if location else _own_reference(resource)


def version_of(headers: Mapping[str, str], resource: Mapping[str, Any]) -> str | None:
    """The version by ETag, else Location, else the body; the body comes last, as it may be an echo of what was sent."""
    etag, location = _ETAG.fullmatch(headers.get("etag", "").strip()), _location(headers)
    by_header = (etag and etag["version"]) or (location and location["version"])
    return by_header or text(an_object(resource.get("meta")), "versionId") or None


def which_version(resource: Mapping[str, Any]) -> Hashable:
    """The same for one version of one resource, however it came; what has no id is known by its content alone."""
    identity, version = text(resource, "id"), text(an_object(resource.get("meta")), "versionId")
    return (text(resource, "resourceType"), identity, version) if identity else raw.encode(resource)


def _location(headers: Mapping[str, str]) -> re.Match[str] | None:
    return _LOCATION.fullmatch(headers.get("location") or headers.get("content-location") or "")


def _own_reference(resource: Mapping[str, Any]) -> str:
    kind, identity = text(resource, "resourceType"), text(resource, "id")
    return f"{kind}/{identity}" if kind and _ID.fullmatch(identity) else ""
