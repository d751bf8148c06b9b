"""Brings a server to what is wanted, whatever happened before: read, write what is missing, remember.

Each write is an intent in the ledger before it is sent (I5). A run that finds one on its way from an earlier run first reads what the
server holds: the effect is there, then the intent is confirmed; it is not, then the write is made, under the same guard as before.
Nothing is sent again merely because its answer is missing, and nothing is taken back: every run rolls forward.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TypeVar

import msgspec

from careplan_bridge.endpoint import send
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Ambiguous, AnswerLost, Stale
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.errors import BridgeError, EndpointDown, LoginRefused, ServerRefused, WriteConflict
from careplan_bridge.fhir import raw
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Intent, IntentState
from careplan_bridge.model.digest import canonical
from careplan_bridge.model.receipt import Action, Receipt, ReceiptItem, Request
from careplan_bridge.model.route import Route
from careplan_bridge.writeback.identity import Identity, Resource, by_identifier, find, same
from careplan_bridge.writeback.managed import Flat, differing, flat, ground, refuse_overwriting
from careplan_bridge.writeback.routes import making, route
from careplan_bridge.writeback.writes import Create, Update, Write, bundle, relinked

TRIES = 5  # against editors who are faster; each try reads anew, so losing five in a row means someone keeps writing
TRANSACTION = "transaction"

T = TypeVar("T")
Also = Callable[[str], None]


def nothing_else(_reference: str) -> None:
    """For a write whose confirmation brings nothing else about."""


class Converge:
    """One occasion of writing for one subject (a plan, or a protocol's canonical). With `dry_run` nothing is sent or remembered."""

    def __init__(
        self,
        client: Client,
        ledger: Ledger,
        *,
        subject: str,
        plan: str | None = None,
        decision: str | None = None,
        dry_run: bool = False,
    ) -> None:
        self.client, self.ledger, self.dry_run = client, ledger, dry_run
        self._subject, self._plan, self._decision = subject, plan, decision
        self._items: dict[str, ReceiptItem] = {}
        self._requests: list[Request] = []
        self._recovered: set[str] = set()
        self.says: list[str] = []

    def receipt(self) -> Receipt:
        return Receipt(
            endpoint=self.client.endpoint.name,
            plan=self._plan,
            dry_run=self.dry_run,
            items=tuple(self._items.values()),
            requests=tuple(self._requests),
            says=tuple(self.says),
        )

    def versioned(self) -> list[str]:
        """Every resource of this occasion that is on the server, as `Type/id/_history/version` where a version is known."""
        there = [item for item in self._items.values() if item.reference]
        return [f"{item.reference}/_history/{item.version}" if item.version else str(item.reference) for item in there]

    def create(self, write: Create, also: Also = nothing_else) -> str:
        """See to it that the resource is there, once. Its reference; with `dry_run`, its place in a transaction while it is not.

        `also` runs in the same ledger transaction as the confirmation. Raises WriteConflict where several carry the identity.
        """
        write = self._by_the_route(write)
        found = self.found(write)
        if found is not None:
            return self._is_there(write, found, also)
        self._was_not_applied(write.step)
        try:
            reference = self._sent(write, also)
        except (Ambiguous, Stale):
            found = self.found(write)  # names several, which the server's answer does not
            if found is None:
                raise
        except AnswerLost as lost:
            found = looked(lost, lambda: self.found(write))
        else:
            self._alone(write)
            return reference
        return self._is_there(write, found, also)

    def found(self, write: Create) -> Stored | None:
        """The resource that carries the identity of this write, by the way that this server leaves open; None where there is none.

        The references in the ledger come first where identifiers are dropped; a write whose answer was lost is looked for by its
        content too, as until then nothing has shown that the server keeps identifiers.
        """
        own, twin = write.identity, write.identity.twin
        if twin is None:
            return find(self.client, own) or self._written(write)
        if self._by_the_route(write).make == "client-id" and (stored := self._read(write.own_reference)):
            return stored
        by_identifier_alone = self.route.find == "identifier"
        stored = (find(self.client, own) if by_identifier_alone else None) or self._written(write)
        if stored is not None or (by_identifier_alone and not self._on_its_way(write.step)):
            return stored
        return self._twin(twin)

    def _written(self, write: Create) -> Stored | None:
        """What we know to have made, where no search shows it: an index lags behind, or the server drops identifiers."""
        item = self._items.get(write.step)
        reference = (item.reference if item else None) or self._written_earlier(write)
        return self._read(reference) if reference else None

    def _written_earlier(self, write: Create) -> str | None:
        """A plan lives on one server, so its references hold from run to run; a protocol may be on several."""
        binding = self.ledger.binding(self._plan) if self._plan else None
        if binding is None or binding.base != self.client.endpoint.base:
            return None
        bound = binding.care_plan if write.identity.kind == "CarePlan" else binding.goals.get(write.identity.name)
        return bound or self.ledger.reference_of(self._subject, write.step)

    @property
    def route(self) -> Route:
        return route(self.client, self.ledger)

    def _read(self, reference: str) -> Stored | None:
        stored = read(self.client, reference)
        return None if isinstance(stored, Missing) else stored

    def _twin(self, twin: Identity) -> Stored | None:
        """By content, but none that belongs to another write of ours."""
        taken = self.ledger.references(self._subject)
        return find(self.client, twin, without=taken)

    def _on_its_way(self, step: str) -> bool:
        intent = self._open(step)
        return intent is not None and intent.state in {"sent", "unknown"}

    def _by_the_route(self, write: Create) -> Create:
        if write.identity.twin is None:
            return replace(write, make=making(self.client, write.identity.kind))
        return replace(write, make=self.route.make)

    def _alone(self, write: Create) -> None:
        """Where no condition guarded a create, a look afterwards shows whether another writer was there in the same moment."""
        if write.make == "search" and not self.dry_run:
            self.found(write)

    def update(
        self, name: str, reference: str, change: Callable[[Resource], Resource], also: Also = nothing_else
    ) -> None:
        """See to it that `change` has been made. A change made elsewhere meanwhile is kept, or refused where ours would overwrite it."""
        for _ in range(TRIES):
            write = self.wanted(name, reference, change)
            if write is None:
                return self._is_so(name, reference, also)
            self._was_not_applied(write.step)
            try:
                self._sent(write, also)
            except Stale:
                continue  # another writer was faster: look at what they wrote
            except AnswerLost as lost:
                looked(lost, lambda: self.wanted(name, reference, change) is None)
                return self._is_so(name, reference, also)
            return None
        raise WriteConflict(
            f"{reference} was changed elsewhere {TRIES} times while it was to be written; run this again later"
        )

    def wanted(self, name: str, reference: str, change: Callable[[Resource], Resource]) -> Update | None:
        """The update that brings the change about; None where it has been made already.

        What a decision has brought about once is done, whatever others made of it since: it is not brought about again. Raises
        WriteConflict where it would overwrite what someone else changed, or where the resource is gone.
        """
        if f"update {reference}" in self._confirmed_before:
            return None
        stored = self.present(reference)
        after = change(stored.resource)
        if same(stored.resource, after):
            return None
        write = Update(name=name, before=stored.resource, resource=after, version=stored.version)
        try:
            refuse_overwriting(self._last(reference), stored.resource, after)
        except WriteConflict as conflict:
            self._note_conflict(write, str(conflict))
            raise
        return write

    def _note_conflict(self, write: Update, says: str) -> None:
        """It waits in the ledger for a person: `respond PLAN conflict`."""
        if self.dry_run:
            return
        self._was_not_applied(write.step)
        intent = self._intend(write, write.step, write.resource)
        self.ledger.mark(intent.id, "conflict", says=says)

    def present(self, reference: str) -> Stored:
        """A resource that must be there. Raises WriteConflict where it is gone."""
        stored = read(self.client, reference)
        if isinstance(stored, Missing):
            raise WriteConflict(
                f"{reference} {stored}, and the plan stands on it; restore it in the record, then run this again"
            )
        return stored

    def as_one(
        self, done: Callable[[], bool], outstanding: Callable[[], Sequence[Write]], also: Callable[[], None]
    ) -> bool:
        """Send what is outstanding as one transaction, where the server offers it and `done` says that the occasion is not done yet.

        It is only the short way: what follows looks at every resource again, and finds all in place or brings about what is missing
        one by one. True where a dry run has shown all there is to show.
        """
        for _ in range(TRIES):
            finished = done()
            self._settle_transaction(done=finished)
            writes: Sequence[Write] = () if finished else outstanding()
            if not self.route.takes(len(writes)):
                return False
            try:
                return self._together(writes, also)
            except (Stale, Ambiguous):
                continue  # another writer was faster: look at what they wrote
            except AnswerLost as lost:
                looked(lost, done)
        raise WriteConflict(
            "what was to be sent was changed elsewhere again and again; nothing was overwritten; run this again later"
        )

    def _together(self, writes: Sequence[Write], also: Callable[[], None]) -> bool:
        body = bundle(writes, self.client.base)
        if self.dry_run:
            return self._shown_together(writes, body)
        intent = self._intend(writes[0], TRANSACTION, body)
        answer = self._through(intent, lambda: send.transaction(self.client, body))
        with self.ledger.together():
            self.ledger.mark(intent.id, "confirmed")
            for write, entry in zip(_linked(writes, answer), answer.entries, strict=True):
                self._remember(write, entry)
            also()
        return False

    def _settle_transaction(self, *, done: bool) -> None:
        """Settle a transaction of an earlier run whose answer never came, now that reading has shown whether it was done."""
        intent = self._open(TRANSACTION)
        if intent is None or self.dry_run:
            return
        if done:
            self._recovered.update(_steps_of(intent))
            self.ledger.mark(intent.id, "confirmed", says="found out by reading")
        elif intent.state in {"sent", "unknown"}:
            self.ledger.mark(intent.id, "planned", says="found out by reading: it was not done")

    def find_out(self, intent: Intent) -> None:
        """What became of an update that an earlier run sent; where it was not done, nothing more is done here."""
        stored, sent = self.present(intent.target), raw.decode(intent.body)
        if flat(stored.resource) == flat(sent):
            self._is_so(intent.target, intent.target, nothing_else)
        else:
            self._was_not_applied(intent.step)

    def _is_there(self, write: Create, found: Stored, also: Also) -> str:
        kind, name = write.identity.kind, write.identity.name
        reference = f"{kind}/{found.resource['id']}"
        made = self._confirm_found(write.step, reference, found.version, also, flat(write.resource))
        version = self._version(write.step, reference, found)
        self._note(write.step, kind, name, "created" if made else "left-alone", reference, version)
        return reference

    def _is_so(self, name: str, reference: str, also: Also) -> None:
        stored, step = self.present(reference), f"update {reference}"
        intent = self._open(step)
        ours = flat(raw.decode(intent.body) if intent else stored.resource)
        made = self._confirm_found(step, reference, stored.version, also, ours)
        version = self._version(step, reference, stored)
        self._note(step, reference.partition("/")[0], name, "updated" if made else "left-alone", reference, version)

    def _version(self, step: str, reference: str, stored: Stored) -> str | None:
        """The version that stands for this occasion: the one an earlier run of it wrote, else the one that is there."""
        seen = self.ledger.seen(self.client.base, reference) if step in self._confirmed_before else None
        return seen.version if seen else stored.version

    def _confirm_found(self, step: str, reference: str, version: str | None, also: Also, ours: Flat) -> bool:
        """Remember what reading has shown; was it a write of ours that an earlier run got no answer to?"""
        if self.dry_run:
            return False
        intent = self._open(step)
        made = step in self._recovered or (intent is not None and intent.state in {"sent", "unknown"})
        with self.ledger.together():
            if intent is not None:
                self.ledger.mark(
                    intent.id, "confirmed", reference=reference, version=version, says="found out by reading"
                )
            if made or self._last(reference) is None:
                self.ledger.saw(self.client.base, reference, version or "", canonical(ours))
            also(reference)
        return made

    def _sent(self, write: Write, also: Also) -> str:
        if self.dry_run:
            return self._shown(write)
        intent = self._intend(write, write.step, write.body if isinstance(write, Create) else write.resource)
        answer = self._through(intent, lambda: self._send(write))
        with self.ledger.together():
            self.ledger.mark(intent.id, "confirmed", reference=answer.reference, version=answer.version)
            self._remember(write, answer)
            self._observe(write, answer)
            also(answer.reference)
        return answer.reference

    def _send(self, write: Write) -> send.Answer:
        if isinstance(write, Create):
            return self._make(write)
        return send.update(self.client, write.resource, version=write.version)

    def _make(self, write: Create) -> send.Answer:
        if write.make == "client-id":
            return send.create_as(self.client, write.body)
        query = write.identity.query if write.make == "conditional" else None
        return send.create(self.client, write.resource, if_none_exist=query)

    def _through(self, intent: Intent, ask: Callable[[], send.Answer]) -> send.Answer:
        """Send, and note what became of it where there is no answer to build on. Whatever ends the run here leaves it `sent`."""
        self.ledger.mark(intent.id, "sent")
        try:
            return ask()
        except BridgeError as error:
            self.ledger.mark(intent.id, _state_after(error), says=type(error).__name__)
            raise

    def _remember(self, write: Write, answer: send.Answer) -> None:
        """Set down what the server now holds: as it says itself, else as it was sent."""
        stored = answer.resource or write.resource
        if isinstance(write, Update):
            after = ground(self._last(write.target) or {}, flat(write.before), flat(stored))
            self._say_if_altered(write, stored)
        else:
            after = flat(stored if answer.created else write.resource)
        self.ledger.saw(self.client.base, answer.reference, answer.version or "", canonical(after))
        action: Action = "updated" if isinstance(write, Update) else "created" if answer.created else "left-alone"
        self._note(
            write.step, answer.reference.partition("/")[0], _name(write), action, answer.reference, answer.version
        )

    def _observe(self, write: Write, answer: send.Answer) -> None:
        """What the answer shows of the server, beyond what it declares."""
        if not isinstance(write, Create) or write.identity.twin is None or answer.resource is None:
            return
        if not write.identity.is_it(answer.resource):
            self.ledger.note_fact(self.client.endpoint.base, "identifier", "observed", holds=False)

    def _say_if_altered(self, write: Update, stored: Resource) -> None:
        if paths := differing(write.resource, stored):
            self.says.append(f"the server keeps {', '.join(paths)} of {write.target} otherwise than sent")

    def _intend(self, write: Write, step: str, body: Resource) -> Intent:
        return self.ledger.intend(
            subject=self._subject,
            decision=self._decision,
            step=step,
            kind="transaction" if step == TRANSACTION else write.kind,
            target="" if step == TRANSACTION else write.target,
            guard=write.guard,
            body=raw.encode(body),
        )

    @cached_property
    def _confirmed_before(self) -> frozenset[str]:
        """The steps of this decision that earlier runs brought to their end."""
        if self._decision is None:
            return frozenset()
        mine = [i for i in self.ledger.intents(self._subject) if (i.decision, i.state) == (self._decision, "confirmed")]
        return frozenset(step for intent in mine for step in _steps_of(intent))

    def _open(self, step: str) -> Intent | None:
        mine = (i for i in self.ledger.open_intents(self._subject) if (i.decision, i.step) == (self._decision, step))
        return next(mine, None)

    def _was_not_applied(self, step: str) -> None:
        intent = self._open(step)
        if intent is not None and intent.state in {"sent", "unknown"} and not self.dry_run:
            self.ledger.mark(intent.id, "planned", says="found out by reading: it was not done")

    def _last(self, reference: str) -> Flat | None:
        seen = self.ledger.seen(self.client.base, reference)
        return None if seen is None else msgspec.json.decode(seen.managed, type=Flat)

    def _shown(self, write: Write) -> str:
        self._requests.append(write.request)
        self._note_would(write)
        return write.place if isinstance(write, Create) else write.target

    def _shown_together(self, writes: Sequence[Write], body: Resource) -> bool:
        self._requests.append(Request(method="POST", url="", body=body))
        for write in writes:
            self._note_would(write)
        return True

    def _note_would(self, write: Write) -> None:
        if isinstance(write, Create):
            self._note(write.step, write.identity.kind, write.identity.name, "would-create", None, None)
        else:
            self._note(
                write.step, write.target.partition("/")[0], write.name, "would-update", write.target, write.version
            )

    def _note(
        self, step: str, what: str, name: str, action: Action, reference: str | None, version: str | None
    ) -> None:
        """The later look at a resource gives its version; that it was written stays said."""
        known = self._items.get(step)
        said = known.action if known and action == "left-alone" else action
        self._items[step] = ReceiptItem(what=what, identifier=name, action=said, reference=reference, version=version)


def looked(lost: AnswerLost, look: Callable[[], T | None]) -> T:
    """What a look at the server shows right after an answer was lost; the loss itself where it shows nothing (yet).

    A write that is not to be seen may still be under way inside the server, so it is not made again in this run.
    """
    try:
        found = look()
    except (EndpointDown, LoginRefused, ServerRefused):
        found = None
    if not found:
        raise lost
    return found


def _linked(writes: Sequence[Write], answer: send.Answer) -> list[Write]:
    """The writes of a transaction as the server stored them: places within it have become references."""
    answered = list(zip(writes, answer.entries, strict=True))
    places = {write.place: entry.reference for write, entry in answered if isinstance(write, Create)}
    return [replace(write, resource=relinked(write.resource, places)) for write in writes]


def _name(write: Write) -> str:
    return write.identity.name if isinstance(write, Create) else write.name


def _state_after(error: BridgeError) -> IntentState:
    """What an error on the way says of the write: only a lost answer leaves its fate open."""
    if isinstance(error, AnswerLost):
        return "unknown"
    if isinstance(error, Stale | Ambiguous):
        return "conflict"
    return "refused" if isinstance(error, ServerRefused) else "planned"


def _steps_of(intent: Intent) -> Iterable[str]:
    """The steps that an intent stands for: its own, or those of the transaction's entries."""
    if intent.kind != "transaction":
        yield intent.step
        return
    for entry in raw.decode(intent.body)["entry"]:
        if entry["request"]["method"] == "PUT":
            yield f"update {entry['request']['url']}"
        else:
            identity = by_identifier(entry["resource"])
            yield f"create {identity.kind} {identity.name}"
