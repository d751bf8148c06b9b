"""Refusals and the OperationOutcome that tells of them."""

from collections.abc import Sequence
from dataclasses import dataclass

from careplan_bridge.sandbox.jsontext import Resource


@dataclass(frozen=True, slots=True)
class Issue:
    """One thing wrong: an IssueType code, a sentence, and the FHIRPath of the element where there is one."""

    code: str
    says: str
    where: str = ""

    def as_json(self) -> Resource:
        located = {"expression": [self.where]} if self.where else {}
        return {"severity": "error", "code": self.code, "diagnostics": self.says, **located}


class Refused(Exception):
    """The interaction is not done; status and issues are what the client gets."""

    def __init__(self, status: int, issues: Sequence[Issue]) -> None:
        super().__init__(status)
        self.status = status
        self.issues = tuple(issues)


def refuse(status: int, code: str, says: str) -> Refused:
    return Refused(status, [Issue(code, says)])


def operation_outcome(issues: Sequence[Issue]) -> Resource:
    return {"resourceType": "OperationOutcome", "issue": [issue.as_json() for issue in issues]}


def information(says: str) -> Resource:
    issue = {"severity": "information", "code": "informational", "diagnostics": says}
    return {"resourceType": "OperationOutcome", "issue": [issue]}
