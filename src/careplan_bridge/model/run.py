"""What a caseload run did: one result a plan, in a fixed vocabulary."""

from datetime import datetime
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.cautions import CAUTIONS

Status = Literal["done", "unchanged", "refused", "failed", "skipped"]


class RunHeader(Struct, frozen=True, kw_only=True):
    """First line of a results file."""

    document: Literal["sync-results"] = "sync-results"
    version: Literal[1] = 1
    cautions: tuple[str, ...] = CAUTIONS
    run: str
    endpoint: str
    started: datetime
    plans: int


class PlanResult(Struct, frozen=True, kw_only=True):
    """One plan. `attention` names what a person should look at; `exit_code` is what this plan alone would have ended with."""

    plan: str
    status: Status
    attention: tuple[str, ...] = ()
    detail: str = ""
    exit_code: int = 0


class RunSummary(Struct, frozen=True, kw_only=True):
    """Last line: how many plans ended in each status, and the run's exit code. Its absence means that the run was cut off."""

    summary: dict[str, int]
    ended: datetime
    exit_code: int
