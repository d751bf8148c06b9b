"""The ledger's side of one occasion of writing: an intent before each write, what became of it, what was last seen where (I5)."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property

import msgspec
from msgspec.structs import replace

from careplan_bridge.endpoint import send
from careplan_bridge.endpoint.outcomes import Ambiguous, AnswerLost, Stale
from careplan_bridge.errors import BridgeError, ServerRefused
from careplan_bridge.fhir import raw
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Intent, IntentKind, IntentState
from careplan_bridge.model.route import Route
from careplan_bridge.writeback.identity import Resource, by_identifier
from careplan_bridge.writeback.managed import Flat
from careplan_bridge.writeback.writes import Create, Update, Write

TRANSACTION = "transaction"
FOUND_OUT = "found out by reading"
ON_ITS_WAY = frozenset[IntentState]({"sent", "unknown"})


@dataclass
class Journal:
    """Of one subject (a plan, or a protocol's canonical) and, where there is one, its decision. With `dry_run` nothing is set down."""

    ledger: Ledger
    base: str
    subject: str
    decision: str | None = None
    dry_run: bool = False

    def intend(self, write: Write) -> Intent:
        body = write.body if isinstance(write, Create) else write.resource
        return self._intend(write, write.step, write.kind, write.target, body)

    def intend_together(self, first: Write, bundle: Resource) -> Intent:
        return self._intend(first, TRANSACTION, "transaction", "", bundle)

    def through(self, intent: Intent, ask: Callable[[], send.Answer]) -> send.Answer:
        """Send, and note what became of it where there is no answer to build on. Whatever ends the run here leaves it `sent`."""
        self.ledger.mark(intent.id, "sent")
        try:
            return ask()
        except BridgeError as error:
            self.ledger.mark(intent.id, _state_after(error), says=type(error).__name__)
            raise

    def open(self, step: str) -> Intent | None:
        """The intent of this step that has not come to its end."""
        mine = (i for i in self.ledger.open_intents(self.subject) if (i.decision, i.step) == (self.decision, step))
        return next(mine, None)

    def on_its_way(self, step: str) -> bool:
        intent = self.open(step)
        return intent is not None and intent.state in ON_ITS_WAY

    def was_not_applied(self, step: str) -> None:
        """Reading has shown that a write whose answer is missing was not done: it may be made."""
        intent = self.open(step)
        if intent is not None and intent.state in ON_ITS_WAY and not self.dry_run:
            self.ledger.mark(intent.id, "planned", says=f"{FOUND_OUT}: it was not done")

    def refused_before(self, step: str) -> bool:
        """Did an earlier run of this occasion try this step, and the server refuse it?"""
        return self.ledger.refused(self.subject, self.decision, step)

    def in_conflict(self, write: Update, says: str) -> None:
        """It waits in the ledger for a person: `respond PLAN conflict`."""
        if self.dry_run:
            return
        self.was_not_applied(write.step)
        self.ledger.mark(self.intend(write).id, "conflict", says=says)

    @cached_property
    def confirmed_before(self) -> frozenset[str]:
        """The steps of this decision that earlier runs brought to their end."""
        if self.decision is None:
            return frozenset()
        mine = [i for i in self.ledger.intents(self.subject) if (i.decision, i.state) == (self.decision, "confirmed")]
        return frozenset(step for intent in mine for step in steps_of(intent))

    def last(self, reference: str) -> Flat | None:
        """The managed elements as we last wrote or saw them."""
        seen = self.ledger.seen(self.base, reference)
        return None if seen is None else msgspec.json.decode(seen.managed, type=Flat)

    def _intend(self, write: Write, step: str, kind: IntentKind, target: str, body: Resource) -> Intent:
        return self.ledger.intend(
            subject=self.subject,
            decision=self.decision,
            step=step,
            kind=kind,
            target=target,
            guard=write.guard,
            body=raw.encode(body),
        )


def in_steps_if_refused(way: Route, journal: Journal) -> Route:
    """The way for this occasion: what the server refused as one transaction goes one after another, whatever was wrong with it."""
    return replace(way, together=False) if way.together and journal.refused_before(TRANSACTION) else way


def steps_of(intent: Intent) -> Iterable[str]:
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


def _state_after(error: BridgeError) -> IntentState:
    """What an error on the way says of the write: only a lost answer leaves its fate open."""
    if isinstance(error, AnswerLost):
        return "unknown"
    if isinstance(error, Stale | Ambiguous):
        return "conflict"
    return "refused" if isinstance(error, ServerRefused) else "planned"
