"""Where a resource of ours is on the server, by whatever way the server leaves open: identifier, id of ours, ledger, content."""

from dataclasses import dataclass, replace

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.route import Route
from careplan_bridge.writeback.identity import Identity, find
from careplan_bridge.writeback.journal import Journal, in_steps_if_refused
from careplan_bridge.writeback.receipts import RunningReceipt
from careplan_bridge.writeback.routes import making, route
from careplan_bridge.writeback.writes import Create


@dataclass(frozen=True, slots=True)
class Locator:
    """For one occasion: `journal` knows what is on its way, `told` what this run has placed already."""

    client: Client
    ledger: Ledger
    journal: Journal
    told: RunningReceipt

    @property
    def route(self) -> Route:
        return in_steps_if_refused(route(self.client, self.ledger), self.journal)

    def by_the_route(self, write: Create) -> Create:
        """The write, made in the way that this server offers."""
        if write.identity.twin is None:
            return replace(write, make=making(self.client, write.identity.kind))
        return replace(write, make=self.route.make)

    def can_be_twins(self, write: Create) -> bool:
        """Could a search show that a create made two? Definitions are left to the next push: they are many, and about nobody."""
        shown = write.identity.twin is None or self.route.find == "identifier"
        return self.told.plan is not None and write.make != "client-id" and shown

    def found(self, write: Create) -> Stored | None:
        """The resource that carries the identity of this write; None where there is none.

        What no search shows may still be there: what we know to have made is read where it was made, and a write whose answer was
        lost is looked for by its content, as until then nothing has shown that the server keeps identifiers.
        """
        own, twin = write.identity, write.identity.twin
        if twin is None:
            return find(self.client, own) or self._written(write)
        if self.by_the_route(write).make == "client-id" and (stored := self._read(write.own_reference)):
            return stored
        keeps_identifiers = self.route.find == "identifier"
        stored = (find(self.client, own) if keeps_identifiers else None) or self._written(write)
        if stored is not None or (keeps_identifiers and not self.journal.on_its_way(write.step)):
            return stored
        return self._by_content(twin)

    def _written(self, write: Create) -> Stored | None:
        """What we know to have made: an index may lag behind, and some servers drop identifiers."""
        reference = self.told.reference_of(write.step) or self._written_earlier(write)
        return self._read(reference) if reference else None

    def _written_earlier(self, write: Create) -> str | None:
        """A plan lives on one server, so its references hold from run to run; a protocol may be on several."""
        binding = self.ledger.binding(self.told.plan) if self.told.plan else None
        if binding is None or binding.base != self.client.endpoint.base:
            return None
        bound = binding.care_plan if write.identity.kind == "CarePlan" else binding.goals.get(write.identity.name)
        return bound or self.ledger.reference_of(self.journal.subject, write.step)

    def _by_content(self, twin: Identity) -> Stored | None:
        """None that belongs to another write of ours."""
        return find(self.client, twin, without=self.ledger.references(self.journal.subject))

    def _read(self, reference: str) -> Stored | None:
        stored = read(self.client, reference)
        return None if isinstance(stored, Missing) else stored
