"""Tries on a test patient what a server declares, and takes everything away again or marks it as made in error.

Each thing tried is an intent in the ledger like any other write, under an identifier of its own that is the same in every run: what a
probe that was cut off left behind is found by the next one and taken away first.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from careplan_bridge.endpoint import send
from careplan_bridge.endpoint.capabilities import capabilities
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Ambiguous, Refused, Stale
from careplan_bridge.endpoint.profile import RECORD_TYPES
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.endpoint.search import search
from careplan_bridge.errors import BridgeError, EndpointDown, LoginRefused, WrongUse
from careplan_bridge.fhir import raw
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import ByIdentifier
from careplan_bridge.model.fhir_names import RECORD_CODE_SYSTEM
from careplan_bridge.writeback.identity import Resource, by_identifier, reference_of
from careplan_bridge.writeback.writes import Create, Update, bundle

SYSTEM = "https://careplan-bridge.example/identifier/probe"
WORDS = "Tried by careplan-bridge to learn what this server can do; about nobody, to be removed"
_VOID = {"CarePlan": ("status", "entered-in-error"), "Goal": ("lifecycleStatus", "entered-in-error"),
         "DocumentReference": ("status", "entered-in-error"), "Observation": ("status", "entered-in-error"),
         "Communication": ("status", "entered-in-error")}  # fmt: skip


@dataclass
class Probe:
    """One probe under way. `says` tells of each thing tried, `left` of what could not be taken away."""

    client: Client
    ledger: Ledger
    patient: str
    says: list[str] = field(default_factory=list[str])
    left: list[str] = field(default_factory=list[str])
    _made: dict[str, Resource] = field(default_factory=dict[str, Resource])

    def run(self) -> tuple[str, ...]:
        """Try everything; what was shown is in the ledger afterwards. Raises LoginRefused and EndpointDown; all else is a finding."""
        self._take_leftovers()
        self.ledger.forget_facts(self.client.endpoint.base)
        try:
            for tried in (self._care_plan, self._goal, self._own_id, self._transaction, self._records):
                tried()
        finally:
            self._take_away()
        return (*self.says, *self.left)

    def _care_plan(self) -> None:
        made = self._create(self._plan("1"))
        self._found_out("CarePlan.create", holds=made is not None)
        if made is None:
            return
        again = self._create(self._plan("1"), remember=False)
        self._found_out("conditional-create", holds=again is not None and reference_of(again) == reference_of(made))
        if again is not None and reference_of(again) != reference_of(made):
            self._made[reference_of(again)] = again
        self._found_out("identifier", holds=self._keeps_identifier(made))
        self._found_out("CarePlan.update", holds=self._guarded(made))

    def _keeps_identifier(self, made: Resource) -> bool:
        own = by_identifier(self._plan("1"))
        if not own.is_it(made):
            return False
        try:
            found = search(self.client, "CarePlan", list(own.params))
        except Refused:
            return False
        return reference_of(made) in {reference_of(hit) for hit in found.resources}

    def _guarded(self, made: Resource) -> bool:
        """Can it be updated? And, on the way, is a stale guard refused?"""
        reference = reference_of(made)
        before = self._read(reference)
        changed = {**made, "title": f"{WORDS}."}
        if before is None or not self._update(changed, before.version):
            return False
        if before.version is None:
            self._found_out("version", holds=False)
            return True
        stale = self._refuses_stale({**made, "title": f"{WORDS}!"}, before.version)
        self._found_out("version", holds=stale)
        return True

    def _refuses_stale(self, resource: Resource, version: str) -> bool:
        try:
            send.update(self.client, resource, version=version)
        except Stale:
            return True
        except Refused:
            return True
        return False

    def _goal(self) -> None:
        made = self._create(self._a_goal("1"))
        self._found_out("Goal.create", holds=made is not None)
        if made is None:
            self._found_out("Goal.update", holds=False)
            return
        before = self._read(reference_of(made))
        changed = {**made, "description": {"text": f"{WORDS}."}}
        self._found_out("Goal.update", holds=before is not None and self._update(changed, before.version))

    def _own_id(self) -> None:
        write = Create(by_identifier(self._plan("own")), self._plan("own"), make="client-id")
        made = self._tried(write.step, "CarePlan", write.body, lambda: send.create_as(self.client, write.body))
        self._found_out("client-id", holds=made is not None)

    def _transaction(self) -> None:
        """All or nothing: a transaction whose second entry is stale must leave no trace of the first."""
        made = next((one for one in self._made.values() if one["resourceType"] == "CarePlan"), None)
        if made is None:
            return
        first = Create(by_identifier(self._a_goal("2")), self._a_goal("2"))
        second = Update(name="probe", before=made, resource={**made, "title": WORDS}, version="999999")
        try:
            send.transaction(self.client, bundle([first, second], self.client.base))
        except (Stale, Ambiguous):
            self._found_out("transaction", holds=not self._remember_found(first))
        except Refused:
            self._found_out("transaction", holds=self._whole_bundle(first))
        except (EndpointDown, LoginRefused):
            raise
        except BridgeError:
            self._found_out("transaction", holds=False)
            self._remember_found(first)
        else:
            self._found_out("transaction", holds=False)
            self._remember_found(first)

    def _whole_bundle(self, first: Create) -> bool:
        """A server may refuse a version that never was in another way; one good entry shows whether it takes Bundles at all."""
        if self._remember_found(first):
            return False
        try:
            send.transaction(self.client, bundle([first], self.client.base))
        except (Refused, Stale, Ambiguous):
            return False
        return self._remember_found(first)

    def _remember_found(self, write: Create) -> bool:
        found = search(self.client, write.identity.kind, [("patient", self.patient)])
        ours = [hit for hit in found.resources if write.identity.is_it(hit)]
        self._made |= {reference_of(hit): hit for hit in ours}
        return bool(ours)

    def _records(self) -> None:
        for kind in RECORD_TYPES:
            made = self._create(self._record(kind)) if capabilities(self.client).offers(kind, "create") else None
            self._found_out(f"{kind}.create", holds=made is not None)

    def _create(self, resource: Resource, *, remember: bool = True) -> Resource | None:
        write = Create(by_identifier(resource), resource)
        call = lambda: send.create(self.client, resource, if_none_exist=write.identity.query)  # noqa: E731
        return self._tried(write.step, resource["resourceType"], resource, call, remember=remember)

    def _tried(
        self, step: str, kind: str, body: Resource, call: Callable[[], send.Answer], *, remember: bool = True
    ) -> Resource | None:
        """The resource as the server holds it; None where it refused."""
        intent = self.ledger.intend(
            subject=self._subject, step=step, kind="create", target=kind,
            guard=ByIdentifier(query=step), body=raw.encode(body),
        )  # fmt: skip
        self.ledger.mark(intent.id, "sent")
        try:
            answer = call()
        except (Refused, Stale, Ambiguous) as error:
            self.ledger.mark(intent.id, "refused", says=type(error).__name__)
            return None
        except BridgeError:
            self.ledger.mark(intent.id, "unknown")
            self.ledger.mark(intent.id, "planned", says="the next probe looks for what is left")
            raise
        self.ledger.mark(intent.id, "confirmed", reference=answer.reference, version=answer.version)
        stored = self._read(answer.reference)
        resource = stored.resource if stored else {**body, "id": answer.reference.partition("/")[2]}
        if remember:
            self._made[answer.reference] = resource
        return resource

    def _update(self, resource: Resource, version: str | None) -> bool:
        """Did an update go through? One without a guard only tries what nobody else could have written meanwhile."""
        try:
            if version is None:
                send.create_as(self.client, resource)
            else:
                send.update(self.client, resource, version=version)
        except (Refused, Stale):
            return False
        return True

    def _read(self, reference: str) -> Stored | None:
        stored = read(self.client, reference)
        return None if isinstance(stored, Missing) else stored

    def _found_out(self, fact: str, *, holds: bool) -> None:
        self.ledger.note_fact(self.client.endpoint.base, fact, "proven", holds=holds)
        self.says.append(f"tried {fact}: {'it works' if holds else 'it does not'}")

    def _take_leftovers(self) -> None:
        for kind in _VOID:
            try:
                found = search(self.client, kind, [("patient", self.patient)])
            except Refused:
                continue
            self._made |= {reference_of(hit): hit for hit in found.resources if _is_ours(hit) and not _is_void(hit)}
        self._take_away()
        for intent in self.ledger.open_intents(self._subject):
            if intent.state in {"sent", "unknown"}:
                self.ledger.mark(intent.id, "planned", says="what it left, if anything, was taken away")

    @property
    def _subject(self) -> str:
        return f"probe {self.client.endpoint.base}"

    def _take_away(self) -> None:
        for reference in reversed(self._made):
            if not self._is_gone(reference):
                self.left.append(
                    f"{reference} of the test patient could neither be deleted nor marked as made in error"
                )
        self._made = {}

    def _is_gone(self, reference: str) -> bool:
        try:
            send.delete(self.client, reference)
        except BridgeError:
            return self._voided(reference)
        return True

    def _voided(self, reference: str) -> bool:
        try:
            stored = self._read(reference)
            if stored is None:
                return True
            element, code = _VOID[stored.resource["resourceType"]]
            return self._update({**stored.resource, element: code}, stored.version)
        except BridgeError:
            return False

    def _plan(self, name: str) -> Resource:
        return self._named("CarePlan", name, {"status": "draft", "intent": "plan", "title": WORDS})

    def _a_goal(self, name: str) -> Resource:
        return self._named("Goal", name, {"lifecycleStatus": "planned", "description": {"text": WORDS}})

    def _record(self, kind: str) -> Resource:
        code = {"coding": [{"system": RECORD_CODE_SYSTEM, "code": "probe"}], "text": WORDS}
        parts: Mapping[str, Resource] = {
            "DocumentReference": {"status": "current", "content": [{"attachment": {"contentType": "text/plain", "title": WORDS}}]},
            "Observation": {"status": "preliminary", "code": code, "valueString": WORDS},
            "Communication": {"status": "completed", "payload": [{"contentString": WORDS}]},
        }  # fmt: skip
        return self._named(kind, "1", parts[kind])

    def _named(self, kind: str, name: str, parts: Mapping[str, Any]) -> Resource:
        identifier = [{"system": SYSTEM, "value": f"{kind}-{name}"}]
        return {"resourceType": kind, "identifier": identifier, "subject": {"reference": self.patient}, **parts}


def probe(client: Client, ledger: Ledger) -> tuple[str, ...]:
    """Try what the server can do, on the test patient of the endpoint file. What was shown is in the ledger afterwards.

    Raises WrongUse where no test patient is named, or there is none; LoginRefused and EndpointDown.
    """
    patient = client.endpoint.test_patient
    if patient is None:
        raise WrongUse(
            "a probe writes, so it needs a Patient of nobody: name one as `test_patient` in the endpoint file"
        )
    if isinstance(read(client, patient), Missing):
        raise WrongUse("the `test_patient` of the endpoint file is not on the server; make one there, about nobody")
    return Probe(client, ledger, patient).run()


def _is_ours(resource: Resource) -> bool:
    return WORDS in raw.encode(resource).decode()


def _is_void(resource: Resource) -> bool:
    element, code = _VOID[resource["resourceType"]]
    return resource.get(element) == code
