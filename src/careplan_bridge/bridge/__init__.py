"""The public facade: what a Python user imports, and what the commands call.

Without a server: `check`, `protocol`, `case`, `conventions`, `endpoint`, `plan`, `convert`, `draft`, `read`, `criteria`; for a
whole caseload's export `group_by_person` and `verdicts_of_export`.
With one: a `Link` joins a ledger, an endpoint and a site's conventions, and offers push, pull, check, decide, sign, respond, sync.

A name brings in its module when it is first asked for: checking a file waits for no HTTP client.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from careplan_bridge.bridge.at_hand import plan_at_hand as plan_at_hand
    from careplan_bridge.bridge.export import group_by_person as group_by_person
    from careplan_bridge.bridge.export import verdicts_of_export as verdicts_of_export
    from careplan_bridge.bridge.inputs import case as case
    from careplan_bridge.bridge.inputs import check as check
    from careplan_bridge.bridge.inputs import conventions as conventions
    from careplan_bridge.bridge.inputs import endpoint as endpoint
    from careplan_bridge.bridge.inputs import kind_of as kind_of
    from careplan_bridge.bridge.inputs import protocol as protocol
    from careplan_bridge.bridge.judging import complete as complete
    from careplan_bridge.bridge.judging import criteria as criteria
    from careplan_bridge.bridge.judging import entries as entries
    from careplan_bridge.bridge.judging import next_visit as next_visit
    from careplan_bridge.bridge.judging import read as read
    from careplan_bridge.bridge.kept import check_from as check_from
    from careplan_bridge.bridge.kept import decision_id as decision_id
    from careplan_bridge.bridge.kept import plans_to_retry as plans_to_retry
    from careplan_bridge.bridge.kept import retrieval_bytes as retrieval_bytes
    from careplan_bridge.bridge.knowing import Surroundings as Surroundings
    from careplan_bridge.bridge.knowing import capabilities_of as capabilities_of
    from careplan_bridge.bridge.knowing import forget as forget
    from careplan_bridge.bridge.knowing import health as health
    from careplan_bridge.bridge.link import Link as Link
    from careplan_bridge.bridge.link import Signed as Signed
    from careplan_bridge.bridge.plans import bundle as bundle
    from careplan_bridge.bridge.plans import convert as convert
    from careplan_bridge.bridge.plans import draft as draft
    from careplan_bridge.bridge.plans import plan as plan
    from careplan_bridge.bridge.plans import plan_page as plan_page
    from careplan_bridge.bridge.plans import transaction as transaction
    from careplan_bridge.caseload.run import exit_code as exit_code
    from careplan_bridge.files.documents import LineFile as LineFile
    from careplan_bridge.files.documents import read_bytes as read_bytes
    from careplan_bridge.files.documents import write_bytes as write_bytes
    from careplan_bridge.files.shipped import example as example
    from careplan_bridge.ledger.ledger import Ledger as Ledger
    from careplan_bridge.model.capabilities import CapabilitiesReport as CapabilitiesReport
    from careplan_bridge.model.capabilities import Health as Health
    from careplan_bridge.model.cautions import CAUTIONS as CAUTIONS
    from careplan_bridge.model.check import CriteriaCheck as CriteriaCheck
    from careplan_bridge.model.course import Responded as Responded
    from careplan_bridge.model.decision import Decision as Decision
    from careplan_bridge.model.decision import Kind as Kind
    from careplan_bridge.model.endpoint import Role as Role
    from careplan_bridge.model.ledger import Purge as Purge
    from careplan_bridge.model.ledger import Verification as Verification
    from careplan_bridge.model.next_visit import NextVisit as NextVisit
    from careplan_bridge.model.plan import Plan as Plan
    from careplan_bridge.model.receipt import Receipt as Receipt
    from careplan_bridge.model.receipt import ReceiptItem as ReceiptItem
    from careplan_bridge.model.route import Forecast as Forecast
    from careplan_bridge.model.run import PlanResult as PlanResult
    from careplan_bridge.model.run import RunHeader as RunHeader
    from careplan_bridge.model.run import RunSummary as RunSummary
    from careplan_bridge.writeback.by_hand import Keep as Keep

_HOMES = {
    "bridge.at_hand": "plan_at_hand",
    "bridge.export": "group_by_person verdicts_of_export",
    "bridge.inputs": "case check conventions endpoint kind_of protocol",
    "bridge.judging": "complete criteria entries next_visit read",
    "bridge.kept": "check_from decision_id plans_to_retry retrieval_bytes",
    "bridge.knowing": "Surroundings capabilities_of forget health",
    "bridge.link": "Link Signed",
    "bridge.plans": "bundle convert draft plan plan_page transaction",
    "caseload.run": "exit_code",
    "files.documents": "LineFile read_bytes write_bytes",
    "files.shipped": "example",
    "ledger.ledger": "Ledger",
    "model.capabilities": "CapabilitiesReport Health",
    "model.cautions": "CAUTIONS",
    "model.check": "CriteriaCheck",
    "model.course": "Responded",
    "model.decision": "Decision Kind",
    "model.endpoint": "Role",
    "model.next_visit": "NextVisit",
    "model.ledger": "Purge Verification",
    "model.plan": "Plan",
    "model.receipt": "Receipt ReceiptItem",
    "model.route": "Forecast",
    "model.run": "PlanResult RunHeader RunSummary",
    "writeback.by_hand": "Keep",
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names.split()}


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"careplan_bridge.{_HOME_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted(_HOME_OF)
