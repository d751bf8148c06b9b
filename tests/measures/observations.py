"""Generated Observations: near enough to real ones to reach every corner, wrong often enough to be a feed."""

import copy
from typing import Any

from hypothesis import strategies as st

from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.conventions import Clinic, Conventions, LocalCode

BASE = "https://example.org/alder-quay"
CLINIC = Clinic(base=BASE, name="Alder Quay Rehabilitation", contact="made-up telephone text", timezone="Europe/Berlin")
LOCAL = (
    LocalCode(system=BASE, code="KFA", measure="knee_flexion", qualifiers={"movement": "active"}),
    LocalCode(system=BASE, code="KROM", arc="knee_arc", qualifiers={"movement": "passive"}),
    LocalCode(
        system=BASE,
        code="HHD",
        measure="hhd_force",
        qualifiers={"muscle": "knee extensors"},
        performer="Practitioner/t2",
    ),
    LocalCode(system=BASE, code="DAY", measure="tug", since="2026-03-02"),
)
SITES = (
    Conventions(),
    Conventions(clinic=CLINIC, codes=LOCAL),
    Conventions(
        clinic=CLINIC, codes=LOCAL, extension_sign="deficit-positive", kilogram_means_force=True, arc="two-number"
    ),
    Conventions(
        clinic=CLINIC,
        codes=LOCAL,
        extension_sign="deficit-negative",
        arc="neutral-zero",
        unit_aliases={"lb": "[lbf_av]"},
    ),
)

Json = Any


def maybe(strategy: st.SearchStrategy[Json]) -> st.SearchStrategy[Json]:
    return st.none() | strategy


def concept(*codes: tuple[str, str], words: tuple[str, ...] = ()) -> st.SearchStrategy[Json]:
    coding = st.sampled_from(codes).map(lambda code: {"system": code[0], "code": code[1]})
    said = st.sampled_from((None, *words))
    return st.builds(_concept, st.lists(coding, max_size=2), said)


def _concept(coded: Json, text: Json) -> Json:
    return _filled({"coding": coded, "text": text})


CODES = concept(
    (names.LOINC, "41343-5"), (names.LOINC, "41347-6"), (names.LOINC, "41345-0"), (names.LOINC, "41387-2"),
    (names.LOINC, "72514-3"), (names.LOINC, "64098-7"), (names.LOINC, "41359-1"), (names.LOINC, "52508-9"),
    (names.LOINC, "LA6111-4"), (names.LOINC, "52742-4"), (names.LOINC, "41301-3"), (names.LOINC, "8867-4"),
    (BASE, "KFA"), (BASE, "KROM"), (BASE, "HHD"), (BASE, "DAY"), (f"{BASE}/protocol/acl/finding", "calf"),
    (f"{BASE}/CodeSystem/measure", "knee_effusion_stroke"), (f"{BASE}/CodeSystem/measure", "knee_extensor_lag"),
    (f"{BASE}/CodeSystem/measure", "knee_flexion"), (f"{BASE}/CodeSystem/measure", "mmt_grade"),
)  # fmt: skip
BODY_SITES = concept(
    (names.SNOMED, "82169009"), (names.SNOMED, "6757004"), (names.SNOMED, "91775009"), words=("left knee", "both")
)
METHODS = concept(
    (names.SNOMED, "21278004"), (names.SNOMED, "761996005"), words=("passive", "visual estimate", "by hand")
)
NUMBERS = st.integers(-20, 220) | st.sampled_from([0.92, 15.5, 90.25, 1e15])


def _quantity(value: Json, unit: Json, code: Json, comparator: Json) -> Json:
    system = names.UCUM if code else None
    return _filled({"value": value, "unit": unit, "system": system, "code": code, "comparator": comparator})


QUANTITIES = st.builds(
    _quantity,
    maybe(NUMBERS),
    st.sampled_from([None, None, "deg", "kg", "lb", "in", "°", "points"]),
    st.sampled_from([None, "deg", "deg", "kg", "N", "m", "[ft_i]", "{score}", "1", "s", "64098-7"]),
    st.sampled_from([None, None, None, "<", ">=", "~"]),
)
TEXTS = st.sampled_from(
    ["0-130", "5-130", "0-5-130", "<90", "110-115", "6/10", "2-7/10", "1+", "Trace", "4+/5", "WNL", "present", "95"]
)
VALUES = st.fixed_dictionaries(
    {},
    optional={
        "valueQuantity": QUANTITIES,
        "valueInteger": st.integers(-5, 130),
        "valueString": TEXTS,
        "valueBoolean": st.booleans(),
        "valueCodeableConcept": concept(
            (names.LOINC, "LA6111-4"), (f"{BASE}/CodeSystem/level", "1+"), words=("absent", "trace", "2")
        ),
        "valueRange": st.fixed_dictionaries({}, optional={"low": QUANTITIES, "high": QUANTITIES}),
        "dataAbsentReason": concept(("http://terminology.hl7.org/CodeSystem/data-absent-reason", "not-performed")),
    },
)


def _first(value: dict[str, Json]) -> dict[str, Json]:
    return dict(list(value.items())[:1])


ONE_VALUE = VALUES.map(_first)


def _qualifier(name: str, value: str) -> Json:
    parts = [{"url": names.QUALIFIER_NAME, "valueString": name}, {"url": names.QUALIFIER_VALUE, "valueString": value}]
    return {"url": names.MEASURE_QUALIFIER_EXTENSION, "extension": parts}


def _component(code: Json, value: dict[str, Json]) -> Json:
    return {"code": code, **value}


EXTENSIONS = st.lists(
    st.builds(
        _qualifier,
        st.sampled_from(["side", "movement", "muscle", "position", "context"]),
        st.sampled_from(["left", "involved", "active", "passive", "knee extensors", "supine", "rest"]),
    ),
    max_size=3,
)
MOMENTS = st.sampled_from(
    ["2026-03-02T09:00:00+01:00", "2026-03-02", "2026-03", "2026", "2026-03-01T23:30:00Z", "02.03.2026"]
)
COMPONENTS = st.lists(st.builds(_component, CODES, ONE_VALUE | VALUES), max_size=2)


def _observation(named: dict[str, Json], value: dict[str, Json]) -> dict[str, Json]:
    return {"resourceType": "Observation", **{name: one for name, one in named.items() if one is not None}, **value}


OBSERVATIONS = st.builds(
    _observation,
    st.fixed_dictionaries(
        {
            "id": maybe(st.sampled_from("abcdef")),
            "status": st.sampled_from(
                ["final", "final", "final", "preliminary", "amended", "entered-in-error", "registered", None]
            ),
            "code": maybe(CODES),
            "subject": maybe(st.sampled_from([{"reference": "Patient/ada"}, {"reference": "Patient/bo"}])),
            "effectiveDateTime": maybe(MOMENTS),
            "issued": st.sampled_from([None, None, "2026-03-05T00:00:00Z", "2026-02-01T00:00:00Z"]),
            "meta": maybe(
                st.sampled_from([{"versionId": "1"}, {"versionId": "2", "lastUpdated": "2026-03-04T00:00:00Z"}])
            ),
            "bodySite": maybe(BODY_SITES),
            "method": maybe(METHODS),
            "extension": maybe(EXTENSIONS),
            "performer": maybe(st.sampled_from([[{"reference": "Practitioner/t2"}], [{"reference": "Patient/ada"}]])),
            "encounter": maybe(st.sampled_from([{"reference": "Encounter/1"}, {"display": "Tuesday"}])),
            "identifier": maybe(st.sampled_from([[{"system": BASE, "value": "1"}], [{"value": "1"}]])),
            "component": st.sampled_from([None, None, None]) | COMPONENTS,
            "hasMember": st.sampled_from([None, None, None, [{"reference": "Observation/a"}]]),
            "modifierExtension": st.sampled_from([None, None, None, None, [{"url": "https://example.org/x"}]]),
        }
    ),
    ONE_VALUE | VALUES,
)

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)


@st.composite
def spoiled(draw: st.DrawFn) -> dict[str, Json]:
    """An Observation in which one member, at any depth, is replaced with any JSON."""
    observation = copy.deepcopy(draw(OBSERVATIONS))  # what strategies sample from is shared
    owner: Json = observation
    while True:
        keys = _keys(owner)
        if not keys:
            return observation
        key = draw(st.sampled_from(keys))
        if not isinstance(owner[key], dict | list) or draw(st.booleans()):
            owner[key] = draw(JSON)
            return observation
        owner = owner[key]


def _keys(owner: Json) -> list[Json]:
    return list(owner.keys()) if hasattr(owner, "keys") else list(range(len(owner)))


def _filled(members: dict[str, Json]) -> dict[str, Json]:
    return {name: value for name, value in members.items() if value is not None}
