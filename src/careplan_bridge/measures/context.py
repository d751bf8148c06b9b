"""Everything an entry says about its value but the value: measure or arc, side, qualifiers, caveats.

A context does not depend on the number or the moment, so entries of one shape share it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from careplan_bridge.measures.codes import Circumstance, CodeMeaning, Codes
from careplan_bridge.measures.lexicon import SIDE, Ear, modified
from careplan_bridge.measures.loose import (
    Code,
    Json,
    codes,
    extension_value,
    extensions,
    member,
    number,
    obj,
    text,
    words,
)
from careplan_bridge.measures.qualifiers import Claim, known, missing, normal
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.sites import SIDES, Sides, Sites, check_joint, side, side_words
from careplan_bridge.model.fhir_names import MEASURE_QUALIFIER_EXTENSION, QUALIFIER_NAME, QUALIFIER_VALUE, SNOMED
from careplan_bridge.model.measure import Catalogue, Measure, MethodCode
from careplan_bridge.model.reading import Caveat

PRELIMINARY = Caveat("preliminary", "the entry is preliminary", weakens=True)
DEPRECATED = Caveat("deprecated-code", "the code is deprecated", weakens=False)
_METHOD_CAVEATS = {"estimated": "the value was estimated"}
_MOVEMENT, _JOINT = "movement", "joint"


@dataclass(frozen=True, slots=True)
class Context:
    """What is known beside the value. `meaning` is None while no code has said what was measured.

    `heard` are qualifiers named by words of the method or the code; they count where the measure has them.
    """

    meaning: CodeMeaning | None = None
    sides: tuple[Sides, ...] = ()
    joints: tuple[str, ...] = ()
    claims: tuple[Claim, ...] = ()
    words: tuple[str, ...] = ()
    heard: tuple[Claim, ...] = ()
    caveats: tuple[Caveat, ...] = ()


@dataclass(frozen=True, slots=True)
class Settled:
    """A context as one measure sees it; `refused` says what is missing or contradicts itself, the rest is what is known."""

    measure: Measure
    side: str | None
    qualifiers: dict[str, str]
    caveats: tuple[Caveat, ...]
    refused: Refused | None


class Contexts:
    """Reads contexts with the codes of one catalogue and one site."""

    def __init__(self, catalogue: Catalogue, codes: Codes) -> None:
        self._codes = codes
        self._sites = Sites(catalogue)
        self._ear = Ear(catalogue)
        self._methods: dict[Code, MethodCode] = {(SNOMED, method.code): method for method in catalogue.methods}

    def around(self, observation: Json, inherited: Sequence[Claim] = ()) -> Context:
        """What an Observation says for its own value and its components alike; `inherited` comes from a panel above it."""
        site = self._sites.read(member(observation, "bodySite"))
        method = member(observation, "method")
        named = [claim._replace(strict=False) for claim in _named(observation)]  # a part may be of another measure
        claims = [
            *self._method_claims(method),
            *(Claim(_JOINT, joint) for joint in site.joints),
            *_no_sides(named),
            *_no_sides(inherited),
        ]
        caveats = [*_status_caveats(observation), *self._method_caveats(method)]
        said = tuple(words(method))
        sides = (*site.sides, *_named_sides(named), *_said_sides(said), *_named_sides(inherited))
        return Context(None, sides, site.joints, tuple(claims), said, self._heard(said), tuple(caveats))

    def of_part(self, around: Context, part: Json, circumstance: Circumstance) -> Context:
        """The context of an Observation's own value or of a component. Raises Refused if its code means nothing that is known."""
        meanings = self._codes.meanings(member(part, "code"), circumstance)
        named = [*_named(part), *_named(obj(member(part, "code")))]
        said = tuple(words(member(part, "code")))
        return Context(
            _one(meanings),
            around.sides + _code_sides(meanings) + _named_sides(named) + _said_sides(said),
            around.joints,
            around.claims + _code_claims(meanings) + _no_sides(named),
            around.words,
            around.heard + self._heard(said),
            around.caveats + ((DEPRECATED,) if any(one.reads_as == "deprecated" for one in meanings) else ()),
        )

    def _heard(self, said: tuple[str, ...]) -> tuple[Claim, ...]:
        return tuple(claim for one in said for claim in self._ear.claims(one))

    def _method_claims(self, method: object) -> Iterator[Claim]:
        for code in codes(method):
            known_method = self._methods.get(code)
            if known_method is not None and known_method.movement is not None:
                yield Claim(_MOVEMENT, known_method.movement)

    def _method_caveats(self, method: object) -> Iterator[Caveat]:
        for code in codes(method):
            known_method = self._methods.get(code)
            if known_method is not None and known_method.caveat is not None:
                yield Caveat(known_method.caveat, _METHOD_CAVEATS[known_method.caveat], weakens=True)


def settle(context: Context, measure: Measure, claims: Sequence[Claim] = ()) -> Settled:
    """The context for one measure, with what the value's own words claim beside it."""
    said = [claim for claim in claims if claim.name != SIDE]
    qualifiers, fault = known(measure, (*context.claims, *said, *_fitting(context.heard, measure)))
    refused: Refused | None = None
    found: str | None = None
    try:
        check_joint(measure, context.joints)
        found = _side_with_words(measure, context.sides, _named_sides(claims))
    except Refused as reason:
        refused = reason
    refused = refused or fault or missing(measure, qualifiers)
    return Settled(measure, found, qualifiers, context.caveats + _word_caveats(context, measure), refused)


def _side_with_words(measure: Measure, around: tuple[Sides, ...], said: tuple[Sides, ...]) -> str | None:
    """The side, where the value's own words may name one: a measure that has none cannot be meant by them."""
    if said and measure.side in ("none", "both"):
        raise Refused("side-unfit", measure=measure.term)
    return side(measure, around + said)


def within(panel: Context, around: Context) -> Context:
    """What surrounds the parts of a panel: what surrounds itself, with what its code fixes and the one side that it is about.

    A panel about both sides leaves it to its parts which of them each is about.
    """
    sides = tuple(one for one in panel.sides if len(one) == 1)
    return replace(around, sides=sides, claims=around.claims + _code_claims((panel.meaning,) if panel.meaning else ()))


def fixed(panel: Context) -> tuple[Claim, ...]:
    """The same for its members, which are entries of their own. A panel that names two sides fixes none."""
    sides = set(panel.sides)
    side = [Claim(SIDE, name) for name in sides.pop()] if len(sides) == 1 else []
    return (*_code_claims((panel.meaning,) if panel.meaning else ()), *(side if len(side) == 1 else ()))


def _named(owner: Json) -> Iterator[Claim]:
    """Our own extension: a qualifier by its name. What it says has to fit."""
    for extension in extensions(owner, MEASURE_QUALIFIER_EXTENSION):
        name, value = (_part(extension, part) for part in (QUALIFIER_NAME, QUALIFIER_VALUE))
        if name is None or value is None or (name == SIDE and value not in SIDES):
            raise Refused(
                "qualifier-unknown", name=name or "a qualifier", value=value or "nothing", measure="any measure"
            )
        yield Claim(name, value, strict=True)


def _part(extension: Json, url: str) -> str | None:
    value = next((extension_value(part) for part in extensions(extension, url)), None)
    amount = number(member(value, "value"))
    if amount is not None:
        return f"{amount} {text(member(value, 'code')) or text(member(value, 'unit')) or ''}".strip()
    return text(value)


def _named_sides(named: Iterable[Claim]) -> tuple[Sides, ...]:
    return tuple(frozenset({claim.value}) for claim in named if claim.name == SIDE)


def _no_sides(named: Iterable[Claim]) -> tuple[Claim, ...]:
    return tuple(claim for claim in named if claim.name != SIDE)


def _one(meanings: tuple[CodeMeaning, ...]) -> CodeMeaning:
    """One of several codes that agree: a code without a sign convention only where no other is."""
    answers = {code: value for meaning in meanings for code, value in meaning.answers.items()}
    return replace(meanings[0], answers=answers)


def _code_sides(meanings: tuple[CodeMeaning, ...]) -> tuple[Sides, ...]:
    return tuple(frozenset({meaning.side}) for meaning in meanings if meaning.side is not None)


def _code_claims(meanings: tuple[CodeMeaning, ...]) -> tuple[Claim, ...]:
    return tuple(Claim(name, value) for meaning in meanings for name, value in meaning.qualifiers.items())


def _status_caveats(observation: Json) -> tuple[Caveat, ...]:
    return (PRELIMINARY,) if observation.get("status") == "preliminary" else ()


def _fitting(heard: Iterable[Claim], measure: Measure) -> Iterator[Claim]:
    """Those words around the value that can mean a qualifier of this measure."""
    qualifiers = {qualifier.name: qualifier for qualifier in measure.qualifiers}
    for claim in heard:
        if claim.name in qualifiers and normal(qualifiers[claim.name], claim.value) is not None:
            yield claim


def _said_sides(said: Iterable[str]) -> tuple[Sides, ...]:
    return tuple(sides for one in said for sides in side_words(one))


def _word_caveats(context: Context, measure: Measure) -> tuple[Caveat, ...]:
    """The longest of the measure's own words for a test done differently that the method contains."""
    said = " ".join(context.words).casefold()
    found = [word for word in measure.modified_words if word in said]
    return tuple(modified(word) for word in found if not any(word != other and word in other for other in found))
