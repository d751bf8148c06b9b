"""What the code of an Observation or component means: the site's codes first, then the catalogue's and our own."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from careplan_bridge.measures.loose import Code, codes, words
from careplan_bridge.measures.moments import Zones, written, zones
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.conventions import Conventions, LocalCode
from careplan_bridge.model.fhir_names import FINDING_CODE_SYSTEM, LOINC, MEASURE_CODE_SYSTEM
from careplan_bridge.model.measure import FINDING, Catalogue, FallbackPanel, MeasureCode, ReadsAs
from careplan_bridge.model.value import Moment, Threshold

Kind = Literal["measure", "arc", "panel", "fallback", "finding"]
_ANSWER = "LA"  # LOINC numbers answers LA...; an answer is no observation


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """`id` names a measure, an arc, a panel or a finding, by `kind`; `side` and `qualifiers` are what the code itself fixes."""

    kind: Kind
    id: str
    side: str | None = None
    qualifiers: Mapping[str, str] = field(default_factory=dict[str, str])
    reads_as: ReadsAs = "value"
    answers: Mapping[str, Threshold] = field(default_factory=dict[str, Threshold])
    panel: FallbackPanel | None = None


@dataclass(frozen=True, slots=True)
class Circumstance:
    """What a site's code may depend on: who measured, with what, when."""

    performers: tuple[str, ...] = ()
    instrument: str | None = None
    at: Moment | None = None


class Codes:
    """An index of all codes that one catalogue and one site know."""

    def __init__(self, catalogue: Catalogue, conventions: Conventions) -> None:
        self._measures = catalogue.measures.keys()
        self._extension = {measure.id for measure in catalogue.measures.values() if measure.signed == "extension"}
        self._own = conventions.clinic.base.rstrip("/") + MEASURE_CODE_SYSTEM if conventions.clinic else None
        self._site = zones(conventions.zone)
        self._known = _catalogue_codes(catalogue)
        self._refused: dict[Code, str] = {(entry.system, entry.code): entry.why for entry in catalogue.refused}
        self._local: dict[Code, list[LocalCode]] = {}
        for entry in conventions.codes:
            self._local.setdefault((entry.system, entry.code), []).append(entry)

    def depends(self, concept: object) -> bool:
        """Does what this code means depend on the entry's day, performer or instrument?"""
        return any(_depends(entry) for code in codes(concept) for entry in self._local.get(code, ()))

    def meanings(self, concept: object, circumstance: Circumstance) -> tuple[CodeMeaning, ...]:
        """What the codings mean, all of the same thing. Raises Refused if none is known, or if they contradict each other."""
        given = list(codes(concept))
        found = [meaning for code in given if (meaning := self._meaning(code, circumstance)) is not None]
        if not found:
            raise self._unknown(given, concept)
        found = self._settled_extension(found)
        if len({(meaning.kind, meaning.id) for meaning in found}) > 1:
            raise Refused("codes-disagree", meanings=", ".join(sorted({meaning.id for meaning in found})))
        return tuple(found)

    def _meaning(self, code: Code, circumstance: Circumstance) -> CodeMeaning | None:
        if code in self._local:
            return self._local_meaning(code, circumstance)
        return self._known.get(code) or self._own_meaning(code)

    def _own_meaning(self, code: Code) -> CodeMeaning | None:
        system, name = code
        if system == self._own and name in self._measures:
            return CodeMeaning("measure", name)
        if system.endswith(FINDING_CODE_SYSTEM):
            protocol = system.removesuffix(FINDING_CODE_SYSTEM)
            return CodeMeaning("finding", FINDING, qualifiers={"protocol": protocol, "finding": name})
        return None

    def _local_meaning(self, code: Code, circumstance: Circumstance) -> CodeMeaning:
        fitting = [_local(entry) for entry in self._local[code] if _holds(entry, circumstance, self._site)]
        if not fitting or any(meaning != fitting[0] for meaning in fitting):
            raise Refused("code-not-valid-here", code=_shown(code))
        return fitting[0]

    def _settled_extension(self, found: list[CodeMeaning]) -> list[CodeMeaning]:
        """A code of raw extension beside one that says deficit or hyperextension adds nothing but its side and movement."""
        clear = {meaning.id for meaning in found if meaning.reads_as != "raw-extension"}
        if len(clear) != 1 or not clear <= self._extension:
            return found
        name = min(clear)
        return [CodeMeaning("measure", name, meaning.side, meaning.qualifiers) for meaning in found]

    def _unknown(self, given: list[Code], concept: object) -> Refused:
        for code in given:
            if code in self._refused:
                return Refused("code-refused", code=_shown(code), why=self._refused[code])
            if code[0] == LOINC and code[1].startswith(_ANSWER):
                return Refused("code-is-answer", code=_shown(code))
        if given:
            return Refused("code-unknown", code=", ".join(map(_shown, given)))
        return Refused("code-unknown", code="these words alone") if any(words(concept)) else Refused("code-missing")


def _catalogue_codes(catalogue: Catalogue) -> dict[Code, CodeMeaning]:
    found = {(entry.system, entry.code): _catalogue_meaning(entry) for entry in catalogue.codes}
    for panel in catalogue.panels:
        found[panel.system, panel.code] = CodeMeaning("panel", panel.code, qualifiers=panel.qualifiers)
    for panel in catalogue.fallback_panels:
        found[panel.system, panel.panel] = CodeMeaning("fallback", panel.key, panel=panel)
    return found


def _catalogue_meaning(entry: MeasureCode) -> CodeMeaning:
    if entry.reads_as == "panel":
        return CodeMeaning("panel", entry.code, qualifiers=entry.qualifiers)
    return CodeMeaning("measure", entry.measure, entry.side, entry.qualifiers, entry.reads_as, entry.answers)


def _local(entry: LocalCode) -> CodeMeaning:
    kind: Kind = "arc" if entry.arc else "measure"
    return CodeMeaning(kind, entry.arc or entry.measure or "", entry.side, entry.qualifiers)


def _depends(entry: LocalCode) -> bool:
    return any((entry.performer, entry.instrument, entry.since, entry.until))


def _holds(entry: LocalCode, circumstance: Circumstance, site: Zones) -> bool:
    """Is the code declared for this entry? `since` and `until` include their day; a moment has to lie between them for certain."""
    if entry.performer is not None and entry.performer not in circumstance.performers:
        return False
    if entry.instrument is not None and entry.instrument != circumstance.instrument:
        return False
    return _within(entry.since, entry.until, circumstance.at, site)


def _within(since: str | None, until: str | None, at: Moment | None, site: Zones) -> bool:
    if since is None and until is None:
        return True
    first, last = (written(day, site) if day else None for day in (since, until))
    if at is None or (since and first is None) or (until and last is None):
        return False
    return (first is None or first.low <= at.low) and (last is None or at.high <= last.high)


def _shown(code: Code) -> str:
    return f"{code[0]}|{code[1]}"
