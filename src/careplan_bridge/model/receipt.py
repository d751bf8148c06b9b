"""What a write-back did, or with `dry_run` would do, resource by resource."""

from typing import Any, Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS

Action = Literal["created", "updated", "left-alone", "would-create", "would-update"]
CHANGES = ("created", "updated")


class ReceiptItem(Struct, frozen=True, kw_only=True):
    """One resource. `identifier` is the one we gave it (a plan's or goal's identifier value, a canonical with version), never a patient's.

    `reference` is None and `version` too while the resource is not on the server, or where the server tells no version.
    """

    what: str
    identifier: str
    action: Action
    reference: str | None = None
    version: str | None = None


class Request(Struct, frozen=True, kw_only=True):
    """One request as it would be sent; `url` is relative to the endpoint's base, empty for a transaction."""

    method: Literal["POST", "PUT"]
    url: str
    body: dict[str, Any]
    if_none_exist: str | None = None
    if_match: str | None = None


class Receipt(Struct, frozen=True, kw_only=True):
    """`items` in the order of writing; `requests` only with `dry_run`; `says` is what a person should know, in sentences."""

    document: Literal["receipt"] = "receipt"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    endpoint: str
    plan: str | None = None
    dry_run: bool = False
    items: tuple[ReceiptItem, ...] = ()
    requests: tuple[Request, ...] = ()
    says: tuple[str, ...] = ()

    @property
    def changed(self) -> int:
        """How many resources were created or updated."""
        return sum(item.action in CHANGES for item in self.items)
