"""Which way a write goes, by what the server offers. Each way is a value; what follows from it is decided where it is used."""

from collections.abc import Iterable
from dataclasses import dataclass

from careplan_bridge.endpoint.capabilities import Capabilities, capabilities
from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import ServerRefused


@dataclass(frozen=True, slots=True)
class Route:
    """`together`: the writes of one occasion go as one transaction, up to `at_most` entries; else one after another, commit point fixed."""

    together: bool
    at_most: int

    def takes(self, entries: int) -> bool:
        """Does a transaction of so many entries go this way? One alone gains nothing by it."""
        return self.together and 1 < entries <= self.at_most


def route(client: Client) -> Route:
    """The way for this endpoint: transactions where the server declares them and the endpoint file does not forbid them."""
    declared = client.endpoint.transactions == "declared" and capabilities(client).transaction
    return Route(together=declared, at_most=client.endpoint.limits.transaction_size)


def refuse_missing_types(client: Client, kinds: Iterable[str]) -> None:
    """Raise ServerRefused, naming all of them, where the server does not take resources that this occasion can't do without."""
    offered = capabilities(client)
    missing = sorted({kind for kind in kinds if not (takes(offered, kind) and offered.offers(kind, "update"))})
    if missing:
        raise ServerRefused(
            f"endpoint {client.endpoint.name} does not offer to create and update {', '.join(missing)}; nothing was sent"
        )


def takes(offered: Capabilities, kind: str) -> bool:
    return offered.offers(kind, "create")
