"""A process that writes, and kills itself with SIGKILL at a chosen moment of a chosen write: nothing is flushed, closed or cleaned up.

What it offers to a test or a larger driver; everything given must be picklable, for it crosses into another process:

`run(occasion, to, ledger_path, plan)`                  the occasion as its command runs it, in this process, undisturbed
`kill(occasion, to, ledger_path, plan, nth, moment)`    the same in a process of its own, dead when this returns

An occasion is a push of `plan`, the decision about `plan` that waits signed in the ledger, or a sync of the whole ledger at `AT`, where
`plan` is not looked at. Writes are counted from 1 over the whole occasion, as requests: a transaction is one. The moments of a write:
"before sending" (its intent is in the ledger as sent, the server saw nothing), "answer lost" (the server has done it and answered in
full, the ledger knows nothing of it) and "confirmed" (the ledger knows). An occasion with fewer than `nth` writes fails the kill.
"""

import os
import signal
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, NoReturn

import httpx

from careplan_bridge import bridge
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan
from careplan_bridge.writeback.converge import Converge
from careplan_bridge.writeback.decision import write_decision
from careplan_bridge.writeback.push import push_plan
from tests.faults.forked import forked
from tests.writeback import occasions

Occasion = Literal["push", "decision", "sync"]
Moment = Literal["before sending", "answer lost", "confirmed"]
AT = datetime.fromisoformat("2026-04-01T16:30:00+02:00")


def run(occasion: Occasion, to: Endpoint, ledger_path: Path, plan: Plan) -> None:
    """An occasion as a command runs it. Raises what that raises."""
    _RUNS[occasion](to, ledger_path, plan)


def kill(occasion: Occasion, to: Endpoint, ledger_path: Path, plan: Plan, nth: int, moment: Moment) -> None:
    """Run it in another process, which dies at this moment of its `nth` write. Raises AssertionError where it lives to its end."""
    process = forked().Process(target=_run_until, args=(occasion, to, ledger_path, plan, nth, moment))
    process.start()
    process.join(60)
    assert process.exitcode == -signal.SIGKILL
    process.close()


def _run_until(occasion: Occasion, to: Endpoint, ledger_path: Path, plan: Plan, nth: int, moment: Moment) -> None:
    if moment == "confirmed":
        _die_after_confirmation(nth)
    else:
        _die_around_sending(nth, moment)
    run(occasion, to, ledger_path, plan)


def _push(to: Endpoint, ledger_path: Path, plan: Plan) -> None:
    with occasions.connected(to) as client, occasions.open_ledger(ledger_path) as ledger:
        push_plan(client, ledger, plan)


def _decision(to: Endpoint, ledger_path: Path, plan: Plan) -> None:
    with occasions.connected(to) as client, occasions.open_ledger(ledger_path) as ledger:
        (waiting,) = ledger.waiting(plan.id)
        check = ledger.check(waiting.decision.digest)
        assert check is not None
        write_decision(client, ledger, plan, waiting.decision, check)


def _sync(to: Endpoint, ledger_path: Path, plan: Plan) -> None:
    del plan
    site = bridge.conventions(occasions.FIXTURES / "conventions.toml")
    with bridge.Link(ledger_path=ledger_path, now=occasions.now, owner="test", endpoint=to, conventions=site) as joined:
        results = list(joined.sync(AT)[1])
    assert {result.status for result in results} <= {"done", "unchanged"}


_RUNS: dict[Occasion, Callable[[Endpoint, Path, Plan], None]] = {"push": _push, "decision": _decision, "sync": _sync}


def _die() -> NoReturn:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("still alive")


def _die_around_sending(nth: int, moment: Moment) -> None:
    send = httpx.HTTPTransport.handle_request
    writes = 0

    def handle(self: httpx.HTTPTransport, request: httpx.Request) -> httpx.Response:
        nonlocal writes
        writes += _writes(request)
        mine = _writes(request) and writes == nth
        if mine and moment == "before sending":
            _die()
        response = send(self, request)
        if mine:
            response.read()  # the server has answered in full: it has done what it was asked
            _die()
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
                _die()
            return result

        return stepped

    for name in ("_sent", "_together"):
        setattr(Converge, name, counted(getattr(Converge, name)))


def _writes(request: httpx.Request) -> bool:
    return request.method in {"POST", "PUT"} and not request.url.path.endswith("/_search")
