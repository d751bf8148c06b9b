"""What is known of a server, by where it is known from: declared, proven by a probe, observed in calls. Kept apart, weighed once.

A fact is a word: an interaction (`Goal.update`), or one of `transaction`, `conditional-create`, `client-id`, `identifier` (business
identifiers are kept and found), `version` (updates can be guarded). What was observed last weighs more than a probe, a probe more than
a declaration; what nobody says counts as not there, but for versions and identifiers: each write shows those by itself.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from careplan_bridge.endpoint.capabilities import Capabilities

PLAN_TYPES = ("CarePlan", "Goal")
RECORD_TYPES = ("DocumentReference", "Observation", "Communication")
NEEDED = ("Patient.read", "Observation.search-type")
WRITES = (
    "CarePlan.create", "CarePlan.update", "Goal.create", "Goal.update", "Provenance.create",
    "DocumentReference.create", "Observation.create", "Communication.create",
)  # fmt: skip
WHOLE = ("transaction", "conditional-create", "client-id", "identifier", "version")
FACTS = (*NEEDED, *WHOLE, *WRITES)
SHOWN_BY_USE = ("identifier", "version")


@dataclass(frozen=True, slots=True)
class Fact:
    """None: this source says nothing."""

    name: str
    declared: bool | None = None
    proven: bool | None = None
    observed: bool | None = None

    @property
    def holds(self) -> bool:
        said = (self.observed, self.proven, self.declared, self.name in SHOWN_BY_USE)
        return next(one for one in said if one is not None)


@dataclass(frozen=True, slots=True)
class Profile:
    facts: Mapping[str, Fact] = field(default_factory=dict[str, Fact])

    @property
    def known(self) -> bool:
        """Does anyone say anything?"""
        return any(
            one is not None for fact in self.facts.values() for one in (fact.declared, fact.proven, fact.observed)
        )

    def holds(self, name: str) -> bool:
        return self.facts[name].holds if name in self.facts else False


def profile(declared: Capabilities, proven: Mapping[str, bool], observed: Mapping[str, bool]) -> Profile:
    """The facts from all three sources."""
    said = dict(_declared(declared)) if declared.known else {}
    return Profile({name: Fact(name, said.get(name), proven.get(name), observed.get(name)) for name in FACTS})


def _declared(offered: Capabilities) -> Iterator[tuple[str, bool]]:
    for name in (*NEEDED, *WRITES):
        kind, _, interaction = name.partition(".")
        yield name, offered.offers(kind, interaction)
    written = _written_types(offered)
    yield "transaction", offered.transaction
    yield "conditional-create", bool(written) and all(offered.of(kind).conditional_create for kind in written)
    own = (offered.of(kind).update_create and offered.offers(kind, "update") for kind in written)
    yield "client-id", bool(written) and all(own)
    searched = [offered.of(kind).search for kind in written if offered.of(kind).search]
    if searched:
        yield "identifier", all("identifier" in names for names in searched)
    versioning = {offered.of(kind).versioning for kind in written} - {""}
    if versioning:
        yield "version", "no-version" not in versioning


def _written_types(offered: Capabilities) -> list[str]:
    """The types whose creation the ladder would use: a plan's where they are offered, else what records a decision."""
    plan = [kind for kind in PLAN_TYPES if offered.offers(kind, "create") and offered.offers("CarePlan", "create")]
    return plan or [kind for kind in RECORD_TYPES if offered.offers(kind, "create")]
