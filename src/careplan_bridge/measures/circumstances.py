"""What surrounds a reading without splitting it: performer, instrument, method, visit, self-measured, transcribed."""

from careplan_bridge.measures.codes import Circumstance
from careplan_bridge.measures.loose import Json, codes, member, objects, reference, text, words
from careplan_bridge.model.value import Moment

_OWN = ("Patient/", "RelatedPerson/")  # measured at home, not by a clinician
YES = "yes"


def circumstances(observation: Json) -> dict[str, str]:
    """The circumstances that the entry names; what it does not name is left out."""
    performers = _performers(observation)
    found = {
        "performer": ", ".join(performers),
        "instrument": reference(member(observation, "device")),
        "method": method(observation),
        "visit": reference(member(observation, "encounter")),
        "self-measured": YES if any(_is(one, _OWN) for one in performers) else None,
        "transcribed": YES if _transcribed(observation) else None,
    }
    return {name: value for name, value in found.items() if value}


def circumstance(observation: Json, at: Moment | None) -> Circumstance:
    """The part of it that the meaning of a site's code may depend on."""
    return Circumstance(_performers(observation), reference(member(observation, "device")), at)


def method(observation: Json) -> str | None:
    """The method as a person would read it, else its code."""
    concept = member(observation, "method")
    return next(words(concept), None) or next(("|".join(code) for code in codes(concept)), None)


def _performers(observation: Json) -> tuple[str, ...]:
    named = (reference(one) for one in objects(member(observation, "performer")))
    return tuple(one for one in named if one is not None)


def _transcribed(observation: Json) -> bool:
    """Taken from a document rather than measured into the record."""
    sources = (text(member(one, "reference")) or "" for one in objects(member(observation, "derivedFrom")))
    return any(_is(source, ("DocumentReference/", "Media/")) for source in sources)


def _is(named: str, kinds: tuple[str, ...]) -> bool:
    return named.startswith(kinds) or any(f"/{kind}" in named for kind in kinds)
