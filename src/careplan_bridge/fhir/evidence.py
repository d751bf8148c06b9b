"""Observations as evidence: a reference, and the version that was used.

A server may strip versions from references (HAPI does), so the version stands in an extension as well.
"""

import re

from careplan_bridge.fhir.elements import Element, extension
from careplan_bridge.model import fhir_names as names

_VERSIONED = re.compile(r"([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/([A-Za-z0-9\-.]{1,64})|#([0-9a-f]+))?")


def used(evidence: str, *, versioned: bool = False) -> Element | None:
    """A Reference for a key, `versioned` as well as the extension; None for what is no resource on a server (a line of a file, say)."""
    parts = _VERSIONED.fullmatch(evidence)
    if parts is None:
        return None
    target, version, digest = parts.groups()
    address = f"{target}/_history/{version}" if versioned and version else target
    kept = version or (f"sha256:{digest}" if digest else None)
    extensions = [extension(names.VERSION_USED_EXTENSION, valueString=kept)] if kept else []
    return {**({"extension": extensions} if extensions else {}), "reference": address}


def unversioned(reference: str) -> str:
    """The reference without the version it may carry."""
    return reference.split("/_history/", 1)[0]
