"""What one value[x] says: one piece for each measure it holds a value of."""

from dataclasses import dataclass

from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.reading import Caveat, Recorded
from careplan_bridge.model.value import Value

NOTHING = Recorded()


@dataclass(frozen=True, slots=True)
class Piece:
    """A value of one measure, with what its own words say; without a value, why there is none.

    `unread` means that it came as words, which may have said what seems to be missing.
    """

    measure: str
    value: Value | None
    recorded: Recorded = NOTHING
    claims: tuple[Claim, ...] = ()
    caveats: tuple[Caveat, ...] = ()
    refused: Refused | None = None
    part: str | None = None
    unread: bool = False
