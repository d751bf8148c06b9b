"""Documents that exist only to be printed: what became of a signature or a response, and the faults of files."""

from typing import Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.course import Responded
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.receipt import Receipt


class Signing(Struct, frozen=True, kw_only=True):
    """The decision with the signatures it has now; `receipt` once the last one needed was given and written."""

    document: Literal["signing"] = "signing"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    decision: Decision
    receipt: Receipt | None


class Response(Struct, frozen=True, kw_only=True):
    """What a named clinician did about a red flag, an excess, or a write of this plan that waited for a person."""

    document: Literal["response"] = "response"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    plan: str
    response: Responded


class FoundFault(Struct, frozen=True, kw_only=True):
    """One fault (or, with `warning`, something to look at); line and column count from 1, `mend` says what would mend it."""

    file: str
    line: int
    column: int
    what: str
    mend: str
    warning: bool


class Faults(Struct, frozen=True, kw_only=True):
    """Every fault of the files that were checked, in the order of files and lines."""

    document: Literal["faults"] = "faults"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    faults: tuple[FoundFault, ...]
