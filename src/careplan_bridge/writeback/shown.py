"""What a refusal shows of a server beyond what it declares, so that the next forecast names the rung below.

Only an answer that says "not offered" (405, 501; for a transaction also 404, as it goes to the base itself) is a fact about the server. Any
other refusal may be about what was sent: of a transaction that met one, the same occasion is written one by one the next time, and the
server is believed as before.
"""

from careplan_bridge.endpoint.outcomes import Refused
from careplan_bridge.endpoint.profile import FACTS
from careplan_bridge.writeback.writes import Update, Write

_NOT_FOUND, _NO_METHOD, _NOT_IMPLEMENTED = 404, 405, 501


def lacking(write: Write, refused: Refused) -> str | None:
    """The fact that does not hold, as this answer to one write shows; None where it says nothing of the kind."""
    if refused.status not in (_NO_METHOD, _NOT_IMPLEMENTED):
        return None
    if isinstance(write, Update):
        return _known(f"{write.target.partition('/')[0]}.update")
    if write.make == "client-id":
        return "client-id"
    # The method is what 405 is about; 501 to a create with a condition may be about the condition.
    conditional = write.make == "conditional" and write.identity.twin is not None
    return (
        "conditional-create" if conditional and refused.status == _NOT_IMPLEMENTED else _known(f"{write.target}.create")
    )


def lacks_transactions(refused: Refused) -> bool:
    return refused.status in (_NOT_FOUND, _NO_METHOD, _NOT_IMPLEMENTED)


def learned(refused: Refused, fact: str) -> Refused:
    """The refusal, with what follows from it."""
    return _with(
        refused,
        f"Noted as observed: no {fact} here. The next run goes without it; `endpoint FILE` says how, and `endpoint FILE --forget` takes "
        "the note back where the server was mended",
    )


def one_by_one(refused: Refused) -> Refused:
    return _with(refused, "Nothing was written. The next run writes the same one after another")


def _with(refused: Refused, more: str) -> Refused:
    return Refused(f"{refused}. {more}", status=refused.status, issues=refused.issues)


def _known(fact: str) -> str | None:
    """Definitions of a protocol have no facts of their own: each server says by type what it takes."""
    return fact if fact in FACTS else None
