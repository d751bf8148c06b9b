"""Documents that pass from one command to the next."""

from pathlib import Path

import msgspec

from careplan_bridge.errors import InputRefused
from careplan_bridge.files import documents
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.retrieval import Retrieval
from careplan_bridge.retrieval import spool
from careplan_bridge.review.documents import check_of


def check_from(path: Path) -> CriteriaCheck:
    """A check from its document. Raises InputRefused where the file holds none."""
    try:
        return check_of(documents.read_check(path))
    except msgspec.ValidationError:
        raise InputRefused(f"{path}: this is no criteria check of version 1; `criteria` makes one.") from None


def decision_id(reference: str) -> str:
    """The id of a decision, given as such or by the path of its document."""
    return documents.read_decision(Path(reference)).id if Path(reference).is_file() else reference


def retrieval_bytes(of: Retrieval) -> bytes:
    """A retrieval as its file: a header line, then one Observation a line."""
    return spool.encode(of)


def plans_to_retry(results: Path) -> tuple[str, ...]:
    """The plans that failed or were refused in a run, from its results file."""
    lines = documents.read_bytes(results).splitlines()
    try:
        found = [msgspec.json.decode(line, type=_RunLine) for line in lines]
    except msgspec.DecodeError:
        raise InputRefused(f"{results}: this is no results file of `sync`.") from None
    return tuple(line.plan for line in found if line.plan and line.status in ("failed", "refused"))


class _RunLine(msgspec.Struct):
    plan: str | None = None
    status: str | None = None
