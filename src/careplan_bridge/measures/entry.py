"""The members of an Observation that reading needs, decoded from its bytes without building the rest.

What only has to be compared, not looked into, stays raw JSON: two entries with the same raw parts have the same shape.
"""

# ruff: noqa: N815 - members bear the names FHIR gives them
import msgspec
from msgspec import Raw, Struct

_NONE = Raw(b"")  # Raw cannot be a union with None


class Meta(Struct, gc=False):
    versionId: str | None = None
    lastUpdated: str | None = None


class Named(Struct, gc=False):
    """A Reference; only a literal one is taken on the quick way."""

    reference: str | None = None


class Identifier(Struct, gc=False):
    system: str | None = None
    value: str | None = None


class Quantity(Struct, gc=False):
    value: Raw = _NONE
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None


class Entry(Struct, gc=False):
    resourceType: str = ""
    id: str | None = None
    meta: Meta | None = None
    status: str | None = None
    subject: Named | None = None
    encounter: Named | None = None
    identifier: tuple[Identifier, ...] = ()
    issued: str | None = None
    effectiveDateTime: str | None = None
    valueQuantity: Quantity | None = None
    valueInteger: Raw = _NONE
    code: Raw = _NONE
    bodySite: Raw = _NONE
    method: Raw = _NONE
    extension: Raw = _NONE
    performer: Raw = _NONE
    device: Raw = _NONE
    derivedFrom: Raw = _NONE
    valueCodeableConcept: Raw = _NONE
    valueBoolean: Raw = _NONE
    # whatever of the following is there, the entry goes the careful way
    implicitRules: Raw = _NONE
    modifierExtension: Raw = _NONE
    dataAbsentReason: Raw = _NONE
    component: Raw = _NONE
    hasMember: Raw = _NONE
    effectivePeriod: Raw = _NONE
    effectiveInstant: Raw = _NONE
    effectiveTiming: Raw = _NONE
    valueString: Raw = _NONE
    valueRange: Raw = _NONE
    valueRatio: Raw = _NONE
    valueSampledData: Raw = _NONE
    valueTime: Raw = _NONE
    valueDateTime: Raw = _NONE
    valuePeriod: Raw = _NONE


UNUSUAL = Entry.__struct_fields__[Entry.__struct_fields__.index("implicitRules") :]
DECODER = msgspec.json.Decoder(Entry)


class Glance(Struct, gc=False, tag_field="resourceType", tag="Observation"):
    """As much of an entry as shows whom it is about and whether anything in it can be of what is asked for."""

    id: str | None = None
    subject: Raw = _NONE
    code: Raw = _NONE
    component: Raw = _NONE
    hasMember: Raw = _NONE
    valueString: Raw = _NONE


GLANCE = msgspec.json.Decoder(Glance)
ABSENT = Glance().code  # the one object that stands for every member that is not there
