"""What is told of one occasion of writing: a line for each resource, the requests of a dry run, sentences for a person."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from careplan_bridge.endpoint.send import Answer
from careplan_bridge.model.receipt import Action, Receipt, ReceiptItem, Request
from careplan_bridge.writeback.identity import Resource
from careplan_bridge.writeback.writes import Create, Update, Write


@dataclass
class RunningReceipt:
    """Kept while an occasion goes on; `says` is for whoever finds something to say."""

    endpoint: str
    plan: str | None = None
    dry_run: bool = False
    says: list[str] = field(default_factory=list[str])
    _items: dict[str, ReceiptItem] = field(default_factory=dict[str, ReceiptItem])
    _requests: list[Request] = field(default_factory=list[Request])

    def receipt(self) -> Receipt:
        return Receipt(
            endpoint=self.endpoint,
            plan=self.plan,
            dry_run=self.dry_run,
            items=tuple(self._items.values()),
            requests=tuple(self._requests),
            says=tuple(self.says),
        )

    def reference_of(self, step: str) -> str | None:
        """Where this run has found or made what the step is about."""
        item = self._items.get(step)
        return item.reference if item else None

    def versioned(self) -> list[str]:
        """Every resource of this occasion that is on the server, as `Type/id/_history/version` where a version is known."""
        there = [item for item in self._items.values() if item.reference]
        return [f"{item.reference}/_history/{item.version}" if item.version else str(item.reference) for item in there]

    def wrote(self, write: Write, answer: Answer) -> None:
        made: Action = "updated" if isinstance(write, Update) else "created" if answer.created else "left-alone"
        self.note(write.step, write.name, made, answer.reference, answer.version)

    def note(self, step: str, name: str, action: Action, reference: str, version: str | None) -> None:
        """The later look at a resource gives its version; that it was written stays said."""
        known = self._items.get(step)
        said = known.action if known and action == "left-alone" else action
        what = reference.partition("/")[0]
        self._items[step] = ReceiptItem(what=what, identifier=name, action=said, reference=reference, version=version)

    def would(self, write: Write) -> str:
        """A dry run shows one request; what stands for the reference of what is not there yet."""
        self._requests.append(write.request)
        self._would(write)
        return write.place if isinstance(write, Create) else write.target

    def would_together(self, writes: Sequence[Write], bundle: Resource) -> None:
        self._requests.append(Request(method="POST", url="", body=bundle))
        for write in writes:
            self._would(write)

    def _would(self, write: Write) -> None:
        if isinstance(write, Create):
            item = ReceiptItem(what=write.identity.kind, identifier=write.name, action="would-create")
        else:
            what, reference = write.target.partition("/")[0], write.target
            item = ReceiptItem(
                what=what, identifier=write.name, action="would-update", reference=reference, version=write.version
            )
        self._items[write.step] = item
