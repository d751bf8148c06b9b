"""Brings a server to what is wanted, whatever happened before: read, write what is missing, remember.

Each write is an intent in the ledger before it is sent (I5). A run that finds one on its way from an earlier run first reads what the
server holds: the effect is there, then the intent is confirmed; it is not, then the write is made, under the same guard as before.
Nothing is sent again merely because its answer is missing, and nothing is taken back: every run rolls forward.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from careplan_bridge.endpoint import send
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Ambiguous, AnswerLost, Refused, Stale
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.errors import EndpointDown, LoginRefused, ServerRefused, WriteConflict
from careplan_bridge.fhir import raw
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.ledger.records import Intent
from careplan_bridge.model.digest import canonical
from careplan_bridge.writeback.identity import Resource, find, same
from careplan_bridge.writeback.journal import FOUND_OUT, ON_ITS_WAY, TRANSACTION, Journal, steps_of
from careplan_bridge.writeback.locate import Locator
from careplan_bridge.writeback.managed import Flat, differing, flat, ground, refuse_overwriting
from careplan_bridge.writeback.receipts import RunningReceipt
from careplan_bridge.writeback.shown import lacking, lacks_transactions, learned, one_by_one
from careplan_bridge.writeback.writes import Create, Update, Write, bundle, relinked

TRIES = 5  # against editors who are faster; each try reads anew, so losing five in a row means someone keeps writing

T = TypeVar("T")
Also = Callable[[str], None]


def nothing_else(_reference: str) -> None:
    """For a write whose confirmation brings nothing else about."""


class Converge:
    """One occasion of writing for one subject (a plan, or a protocol's canonical). With `dry_run` nothing is sent or remembered.

    `told` is what it says of itself, `locate` finds what is ours, `journal` is what the ledger knows of it.
    """

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
        self.journal = Journal(ledger, client.base, subject, decision, dry_run)
        self.told = RunningReceipt(client.endpoint.name, plan, dry_run)
        self.locate = Locator(client, ledger, self.journal, self.told)
        self._recovered: set[str] = set()

    def create(self, write: Create, also: Also = nothing_else) -> str:
        """See to it that the resource is there, once. Its reference; with `dry_run`, its place in a transaction while it is not.

        `also` runs in the same ledger transaction as the confirmation. Raises WriteConflict where several carry the identity.
        """
        write = self.locate.by_the_route(write)
        found = self.locate.found(write)
        if found is not None:
            return self._is_there(write, found, also)
        self.journal.was_not_applied(write.step)
        try:
            reference = self._sent(write, also)
        except (Ambiguous, Stale):
            found = self.locate.found(write)  # names several, which the server's answer does not
            if found is None:
                raise
        except AnswerLost as lost:
            found = looked(lost, lambda: self.locate.found(write))
        else:
            return reference
        return self._is_there(write, found, also)

    def _refuse_twins(self, write: Write, intent: Intent, answer: send.Answer) -> None:
        """A look after a create, whoever guarded it: a server may store one request twice, and two writers may search in one moment."""
        if isinstance(write, Create) and answer.created and self.locate.can_be_twins(write):
            try:
                find(self.client, write.identity)
            except WriteConflict:
                self.ledger.mark(intent.id, "conflict", says="several carry its identity")
                raise

    def update(
        self,
        name: str,
        reference: str,
        change: Callable[[Resource], Resource],
        also: Also = nothing_else,
        *,
        more: bool = False,
    ) -> None:
        """See to it that `change` has been made. A change made elsewhere meanwhile is kept, or refused where ours would overwrite it.

        `more`: it is one more change of a resource that this decision has changed already.
        """
        for _ in range(TRIES):
            write = self.wanted(name, reference, change, more=more)
            if write is None:
                return self._is_so(name, reference, also)
            self.journal.was_not_applied(write.step)
            try:
                self._sent(write, also)
            except Stale:
                continue  # another writer was faster: look at what they wrote
            except AnswerLost as lost:
                looked(lost, lambda: self.wanted(name, reference, change, more=more) is None)
                return self._is_so(name, reference, also)
            return None
        raise WriteConflict(
            f"{reference} was changed elsewhere {TRIES} times while it was to be written; run this again later"
        )

    def wanted(
        self, name: str, reference: str, change: Callable[[Resource], Resource], *, more: bool = False
    ) -> Update | None:
        """The update that brings the change about; None where it has been made already.

        What a decision has brought about once is done, whatever others made of it since: it is not brought about again. Raises
        WriteConflict where it would overwrite what someone else changed, or where the resource is gone.
        """
        if self.has_updated(reference) and not more:
            return None
        stored = self.present(reference)
        after = change(stored.resource)
        if same(stored.resource, after):
            return None
        write = Update(name=name, before=stored.resource, resource=after, version=stored.version)
        try:
            refuse_overwriting(self.journal.last(reference), stored.resource, after)
        except WriteConflict as conflict:
            self.journal.in_conflict(write, str(conflict))
            raise
        return write

    def has_updated(self, reference: str) -> bool:
        """Did an earlier run for this decision?"""
        return f"update {reference}" in self.journal.confirmed_before

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
            self._say_if_refused_before(writes)
            if not self.locate.route.takes(len(writes)):
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

    def _say_if_refused_before(self, writes: Sequence[Write]) -> None:
        if len(writes) > 1 and self.journal.refused_before(TRANSACTION):
            self.told.says.append("the server refused this as one transaction before: now it goes one after another")

    def _together(self, writes: Sequence[Write], also: Callable[[], None]) -> bool:
        body = bundle(writes, self.client.base)
        if self.dry_run:
            self.told.would_together(writes, body)
            return True
        intent = self.journal.intend_together(writes[0], body)
        try:
            answer = self.journal.through(intent, lambda: send.transaction(self.client, body))
        except Refused as refused:
            raise (
                self._learned(refused, "transaction") if lacks_transactions(refused) else one_by_one(refused)
            ) from None
        with self.ledger.together():
            self.ledger.mark(intent.id, "confirmed")
            for write, entry in zip(_linked(writes, answer), answer.entries, strict=True):
                self._remember(write, entry)
            also()
        return False

    def _settle_transaction(self, *, done: bool) -> None:
        """Settle a transaction of an earlier run whose answer never came, now that reading has shown whether it was done."""
        intent = self.journal.open(TRANSACTION)
        if intent is None or self.dry_run:
            return
        if done:
            self._recovered.update(steps_of(intent))
            self.ledger.mark(intent.id, "confirmed", says=FOUND_OUT)
        else:
            self.journal.was_not_applied(TRANSACTION)

    def find_out(self, intent: Intent) -> None:
        """What became of an update that an earlier run sent; where it was not done, nothing more is done here."""
        stored, sent = self.present(intent.target), raw.decode(intent.body)
        if flat(stored.resource) == flat(sent):
            self._is_so(intent.target, intent.target, nothing_else)
        else:
            self.journal.was_not_applied(intent.step)

    def _is_there(self, write: Create, found: Stored, also: Also) -> str:
        reference = f"{write.identity.kind}/{found.resource['id']}"
        made = self._confirm_found(write.step, reference, found.version, also, flat(write.resource))
        version = self._version(write.step, reference, found)
        self.told.note(write.step, write.name, "created" if made else "left-alone", reference, version)
        return reference

    def _is_so(self, name: str, reference: str, also: Also) -> None:
        stored, step = self.present(reference), f"update {reference}"
        intent = self.journal.open(step)
        ours = flat(raw.decode(intent.body) if intent else stored.resource)
        made = self._confirm_found(step, reference, stored.version, also, ours)
        version = self._version(step, reference, stored)
        self.told.note(step, name, "updated" if made else "left-alone", reference, version)

    def _version(self, step: str, reference: str, stored: Stored) -> str | None:
        """The version that stands for this occasion: the one an earlier run of it wrote, else the one that is there."""
        seen = self.ledger.seen(self.client.base, reference) if step in self.journal.confirmed_before else None
        return seen.version if seen else stored.version

    def _confirm_found(self, step: str, reference: str, version: str | None, also: Also, ours: Flat) -> bool:
        """Remember what reading has shown; was it a write of ours that an earlier run got no answer to?"""
        if self.dry_run:
            return False
        intent = self.journal.open(step)
        made = step in self._recovered or (intent is not None and intent.state in ON_ITS_WAY)
        with self.ledger.together():
            if intent is not None:
                self.ledger.mark(intent.id, "confirmed", reference=reference, version=version, says=FOUND_OUT)
            if made or self.journal.last(reference) is None:
                self.ledger.saw(self.client.base, reference, version or "", canonical(ours))
            also(reference)
        return made

    def _sent(self, write: Write, also: Also) -> str:
        if self.dry_run:
            return self.told.would(write)
        intent = self.journal.intend(write)
        try:
            answer = self.journal.through(intent, lambda: self._send(write))
        except Refused as refused:
            raise self._learned(refused, lacking(write, refused)) from None
        self._refuse_twins(write, intent, answer)
        with self.ledger.together():
            self.ledger.mark(intent.id, "confirmed", reference=answer.reference, version=answer.version)
            self._remember(write, answer)
            self._observe(write, answer)
            also(answer.reference)
        return answer.reference

    def _learned(self, refused: Refused, fact: str | None) -> Refused:
        """What is not offered is remembered; the error to raise."""
        if fact is None:
            return refused
        self.ledger.note_fact(self.client.endpoint.base, fact, "observed", holds=False)
        return learned(refused, fact)

    def _send(self, write: Write) -> send.Answer:
        if isinstance(write, Create):
            return self._make(write)
        answer = send.update(self.client, write.resource, version=write.version)
        if answer.resource is not None and _is_unmade(write, answer.resource):
            kind = write.target.partition("/")[0]
            raise AnswerLost(f"PUT {kind}: the server says that it took the change, and shows the {kind} without it")
        return answer

    def _make(self, write: Create) -> send.Answer:
        if write.make == "client-id":
            return send.create_as(self.client, write.body)
        if write.make == "conditional":
            answer = self._made_unless_there(write)
            if answer is not None:
                return answer
        return send.create(self.client, write.resource, if_none_exist=None)

    def _made_unless_there(self, write: Create) -> send.Answer | None:
        """None where the server's condition stopped at others alone: it tells two decisions of one instant apart by nothing."""
        narrow = write.identity.twin is not None
        try:
            answer = send.create(self.client, write.resource, if_none_exist=write.identity.query)
        except Ambiguous:
            if narrow or self.locate.found(write) is not None:
                raise
            return None
        another = not answer.created and answer.resource is not None and not write.identity.is_it(answer.resource)
        return None if another and not narrow else answer

    def _remember(self, write: Write, answer: send.Answer) -> None:
        """Set down what the server now holds: as it says itself, else as it was sent."""
        stored = answer.resource or write.resource
        if isinstance(write, Update):
            after = ground(self.journal.last(write.target) or {}, flat(write.before), flat(stored))
            self._say_if_altered(write, stored)
        else:
            after = flat(stored if answer.created else write.resource)
        self.ledger.saw(self.client.base, answer.reference, answer.version or "", canonical(after))
        self.told.wrote(write, answer)

    def _observe(self, write: Write, answer: send.Answer) -> None:
        """What the answer shows of the server, beyond what it declares."""
        if not isinstance(write, Create) or write.identity.twin is None or answer.resource is None:
            return
        if not write.identity.is_it(answer.resource):
            self.ledger.note_fact(self.client.endpoint.base, "identifier", "observed", holds=False)

    def _say_if_altered(self, write: Update, stored: Resource) -> None:
        if paths := differing(write.resource, stored):
            self.told.says.append(f"the server keeps {', '.join(paths)} of {write.target} otherwise than sent")


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


def _is_unmade(write: Update, stored: Resource) -> bool:
    """Does the server show what we manage as it was before? Where it shows a part otherwise than sent, that is said and goes on."""
    before = flat(write.before)
    return before == flat(stored) != flat(write.resource)


def _linked(writes: Sequence[Write], answer: send.Answer) -> list[Write]:
    """The writes of a transaction as the server stored them: places within it have become references."""
    answered = list(zip(writes, answer.entries, strict=True))
    places = {write.place: entry.reference for write, entry in answered if isinstance(write, Create)}
    return [replace(write, resource=relinked(write.resource, places)) for write in writes]
