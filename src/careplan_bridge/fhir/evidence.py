"""Observations as evidence: a reference, and the version that was used.

A server may strip versions from references (HAPI does), so the version stands in an extension as well. What lies on another server is
named by its address in a logical reference: a relative one would mean another resource, and servers refuse literal ones to elsewhere.
"""

import re

from careplan_bridge.fhir.elements import Element, extension
from careplan_bridge.model import fhir_names as names

_VERSIONED = re.compile(r"([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/([A-Za-z0-9\-.]{1,64})|#([0-9a-f]+))?")


def used(evidence: str, *, versioned: bool = False, server: str | None = None) -> Element | None:
    """A Reference for a key, `versioned` as well as the extension; None for what is no resource on a server (a line of a file, say).

    `server` is the base of the server that the evidence lies on, where that is not the one that is written to.
    """
    parts = _VERSIONED.fullmatch(evidence)
    if parts is None:
        return None
    target, version, digest = parts.groups()
    address = f"{target}/_history/{version}" if versioned and version else target
    kept = version or (f"sha256:{digest}" if digest else None)
    extensions = [extension(names.VERSION_USED_EXTENSION, valueString=kept)] if kept else []
    return {**({"extension": extensions} if extensions else {}), **_named(address, server)}


def unversioned(reference: str) -> str:
    """The reference without the version it may carry."""
    return reference.split("/_history/", 1)[0]


def target(reference: Element) -> str:
    """What a Reference is about, without version: `Type/id`, or an address on another server; empty where it says neither."""
    named: Element = reference.get("identifier") or {}
    elsewhere = named.get("value") if named.get("system") == names.URI_SYSTEM else None
    said = reference.get("reference") or elsewhere
    return unversioned(said) if isinstance(said, str) else ""


def address(resource: str, server: str | None) -> str:
    """What `target` gives for evidence that was used."""
    return f"{server}/{resource}" if server else resource


def _named(address: str, server: str | None) -> Element:
    if server is None:
        return {"reference": address}
    identifier = {"system": names.URI_SYSTEM, "value": f"{server}/{address}"}
    return {"type": address.partition("/")[0], "identifier": identifier}
