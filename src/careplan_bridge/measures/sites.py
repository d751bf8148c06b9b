"""What bodySite says: the side, and the joint. Codes count, and so do the words left, right and both in text and displays."""

import re
from collections.abc import Iterable
from typing import NamedTuple

from careplan_bridge.measures.loose import Code, Json, codes, codings, extension_value, extensions, objects, words
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.fhir_names import LATERALITY_EXTENSION, SNOMED
from careplan_bridge.model.measure import Catalogue, Measure

LEFT, RIGHT = "left", "right"
SIDES = (LEFT, RIGHT, "involved", "uninvolved")
_BOTH = frozenset({LEFT, RIGHT})
_WORDS = re.compile(r"\b(left|right|both|bilateral)\b", re.IGNORECASE)
_WORD = re.compile(r"[a-z]+")

Sides = frozenset[str]  # what one source says; both sides at once are two


class BodySite(NamedTuple):
    """`sides` holds what each source says; `joints` the joints that are named."""

    sides: tuple[Sides, ...] = ()
    joints: tuple[str, ...] = ()


class Sites:
    """The body sites and laterality codes of the catalogue."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._sites = {(SNOMED, site.code): site for site in catalogue.sites}
        self._joints = {measure.joint for measure in catalogue.measures.values() if measure.joint is not None}
        self._laterality: dict[Code, Sides] = {(SNOMED, one.code): frozenset(one.sides) for one in catalogue.laterality}

    def read(self, body_site: object) -> BodySite:
        named = [self._sites[code] for code in codes(body_site) if code in self._sites]
        sides = [frozenset({site.side}) for site in named]
        for owner in _owners(body_site):
            sides += self._qualifier(owner)
        for said in words(body_site):
            sides += side_words(said)
        said_joints = sorted({word for said in words(body_site) for word in _WORD.findall(said.lower())} & self._joints)
        return BodySite(tuple(sides), (*(site.joint for site in named), *said_joints))

    def _qualifier(self, owner: Json) -> list[Sides]:
        concepts = [extension_value(extension) for extension in extensions(owner, LATERALITY_EXTENSION)]
        known = [self._laterality[code] for concept in concepts for code in codes(concept) if code in self._laterality]
        return known + [side for concept in concepts for said in words(concept) for side in side_words(said)]


def side(measure: Measure, said: Iterable[Sides]) -> str | None:
    """The one side that everything agrees on; None where the measure has none. Raises Refused otherwise."""
    if measure.side in ("none", "both"):
        return None
    distinct = set(said)
    if len(distinct) > 1:
        raise Refused("side-clash")
    if not distinct and measure.side == "required":
        raise Refused("side-missing")
    only = next(iter(distinct), frozenset[str]())
    if len(only) > 1:
        raise Refused("both-sides")
    return next(iter(only), None)


def check_joint(measure: Measure, joints: Iterable[str]) -> None:
    """A body site that names another joint than the measure's contradicts it."""
    for joint in joints:
        if measure.joint is not None and measure.joint != joint:
            raise Refused("joint-clash", site=joint, joint=measure.joint)


def _owners(body_site: object) -> list[Json]:
    return [*objects(body_site), *codings(body_site)]


def side_words(said: str) -> list[Sides]:
    """The side that words name; both at once are two."""
    found = {word.lower() for word in _WORDS.findall(said)}
    return [_BOTH if found & {"both", "bilateral"} else frozenset(found)] if found else []
