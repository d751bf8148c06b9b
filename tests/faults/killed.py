"""A process that writes, and kills itself with SIGKILL at a chosen moment of a chosen write: nothing is flushed, closed or cleaned up."""

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal, NoReturn

import httpx

from careplan_bridge.endpoint.http import Client
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan
from careplan_bridge.writeback.converge import Converge
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from tests.writeback import occasions

Occasion = Literal["push", "decision"]
Moment = Literal["before sending", "answer lost", "confirmed"]


def die() -> NoReturn:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("still alive")


def write(occasion: Occasion, to: Endpoint, ledger_path: Path, plan: Plan, nth: int, moment: Moment) -> None:
    """The body of the process: one occasion of writing, cut off at `moment` of its `nth` write."""
    if moment == "confirmed":
        _die_after_confirmation(nth)
    else:
        _die_around_sending(nth, moment)
    with occasions.connected(to) as client, occasions.open_ledger(ledger_path) as ledger:
        run(occasion, client, ledger, plan)


def run(occasion: Occasion, client: Client, ledger: Ledger, plan: Plan) -> None:
    """An occasion as a command runs it: the plan from its document, or the decision that waits in the ledger."""
    if occasion == "push":
        push_plan(client, ledger, plan)
        return
    (waiting,) = ledger.waiting(plan.id)
    check = ledger.check(waiting.decision.digest)
    assert check is not None
    write_decision(client, ledger, plan, waiting.decision, check)


def _die_around_sending(nth: int, moment: Moment) -> None:
    send = httpx.HTTPTransport.handle_request
    writes = 0

    def handle(self: httpx.HTTPTransport, request: httpx.Request) -> httpx.Response:
        nonlocal writes
        writes += _writes(request)
        mine = _writes(request) and writes == nth
        if mine and moment == "before sending":
            die()
        response = send(self, request)
        if mine:
            response.read()  # the server has answered in full: it has done what it was asked
            die()
        return response

    httpx.HTTPTransport.handle_request = handle


def _die_after_confirmation(nth: int) -> None:
    confirmed = 0

    def counted(step: Callable[..., Any]) -> Callable[..., Any]:
        def stepped(*args: Any) -> Any:
            nonlocal confirmed
            result = step(*args)
            confirmed += 1
            if confirmed == nth:
                die()
            return result

        return stepped

    for name in ("_sent", "_together"):
        setattr(Converge, name, counted(getattr(Converge, name)))


def _writes(request: httpx.Request) -> bool:
    return request.method in {"POST", "PUT"} and not request.url.path.endswith("/_search")
