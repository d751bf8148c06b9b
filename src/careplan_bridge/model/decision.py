"""What named clinicians decide on one criteria check."""

from datetime import datetime
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS

Kind = Literal["advance", "remain", "discharge"]


class Signature(Struct, frozen=True, kw_only=True):
    """`digest` is that of the check made at the moment of signing."""

    person: str
    role: str
    at: datetime
    digest: str


class Decision(Struct, frozen=True, kw_only=True):
    """Bound to one check by `digest`. `roles` must each be signed by a person of the case; one person fills one role."""

    document: Literal["decision"] = "decision"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    id: str
    plan: str
    revision: int
    kind: Kind
    stage: str
    to_stage: str | None
    digest: str
    outcome: str
    reason: str
    decided_at: datetime
    roles: tuple[str, ...]
    evidence: tuple[str, ...] = ()
    signatures: tuple[Signature, ...] = ()

    @property
    def missing_roles(self) -> tuple[str, ...]:
        signed = {signature.role for signature in self.signatures}
        return tuple(role for role in self.roles if role not in signed)
