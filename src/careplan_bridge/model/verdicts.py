"""The verdicts of a plan's current stage alone, as a caseload run over an export gives them."""

from msgspec import Struct

from careplan_bridge.model.check import Verdict


class StageVerdicts(Struct, frozen=True, kw_only=True):
    """`verdicts` are those of the stage's criteria by their id, in the order of the stage."""

    plan: str
    revision: int
    stage: str
    verdicts: dict[str, Verdict]
