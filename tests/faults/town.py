"""One server and the clinics that write to it, all in this process: the weather between them, who dies when, and what each has left.

A clinic is a ledger and its user. What it does is one command: a Link opened, something done, the Link closed, or dropped in the middle
as by a kill: nothing is said, nothing is written any more, and the transaction of the ledger that was open is rolled back.
"""

import json
import sqlite3
from collections.abc import Callable, Generator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache, partial
from pathlib import Path
from typing import Any, Literal, TypeVar

import httpx
import pytest
from msgspec.structs import replace

from careplan_bridge import bridge
from careplan_bridge.endpoint.http import Client
from careplan_bridge.errors import BridgeError, OurFault, RunAgain
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.model.check import CriteriaCheck
from careplan_bridge.model.endpoint import Endpoint
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Stage
from careplan_bridge.model.run import PlanResult
from tests.bridge.clinic import SITE
from tests.faults.boundaries import NEVER, Boundaries, connection
from tests.faults.in_process import BASE, Resource, Server
from tests.flow.workplace import observations
from tests.writeback import occasions

Weather = Literal["fair", "done and failed", "done and silent", "never arrived", "throttled", "edited first", "down"]
LETS_THROUGH = ("in-progress", "improving", "worsening", "no-change", "re-open")
T = TypeVar("T")


class Killed(BaseException):
    """Stands for SIGKILL: no handler of errors is meant for it."""


class Kills(Boundaries):
    def die(self) -> None:
        raise Killed


@dataclass
class Clinic:
    """A ledger, the check its user looked at last, and what was once true of it and must stay so."""

    path: Path
    check: CriteriaCheck | None = None
    acknowledged: set[str] = field(default_factory=set[str])
    written: set[str] = field(default_factory=set[str])
    by_hand: set[str] = field(default_factory=set[str])


class Town(Server):
    """The sandbox with weather. `spoils`: how many writes from now on the weather strikes; it strikes once, `down` lasts."""

    def __init__(self, lacks: tuple[str, ...], folder: Path) -> None:
        super().__init__(lacks, the_plan().patient)
        measured, expected = observations("acl-reconstruction", "awaiting-decision")
        self.at = datetime.fromisoformat(expected["at"])
        self.clock = self.at
        self.endpoint: Endpoint = replace(
            occasions.endpoint(BASE), unsigned=LETS_THROUGH, allow_unguarded="version" in lacks
        )
        self.clinics = {name: Clinic(folder / f"{name}.sqlite") for name in ("quay", "hill")}
        self.weather: Weather = "fair"
        self.spoils = 0
        self.notes: list[str] = []
        self.kills = Kills(NEVER)
        for observation in measured:
            self.put(observation)

    def respond(self, request: httpx.Request) -> httpx.Response:
        name = f"{request.method} {request.url.path.removeprefix('/fhir')}"
        self.kills.at(f"before {name}")
        answer = self._in_weather(request)
        self.kills.at(f"after {name}")
        return answer

    def _in_weather(self, request: httpx.Request) -> httpx.Response:
        if self.weather == "down":
            raise httpx.ConnectError("no")
        if self.weather == "fair" or request.method == "GET" or not self._strikes():
            return super().respond(request)
        weather, self.weather = self.weather, "fair"
        return self._struck(request, weather)

    def _strikes(self) -> bool:
        self.spoils -= 1
        return self.spoils <= 0

    def _struck(self, request: httpx.Request, weather: Weather) -> httpx.Response:
        if weather == "throttled":
            return httpx.Response(429, headers={"Retry-After": "3"})
        if weather == "edited first":
            self.annotate("in the same moment")
        if weather == "never arrived":
            raise httpx.ReadTimeout("no answer")
        answer = super().respond(request)
        if weather == "done and silent":
            raise httpx.ReadTimeout("no answer")
        return httpx.Response(503) if weather == "done and failed" else answer

    def annotate(self, text: str) -> None:
        """Another program adds what is not ours to the CarePlan."""
        for care_plan in self.held("CarePlan"):
            self.put({**care_plan, "note": [*care_plan.get("note", []), {"text": text}]})
            self.notes.append(text)

    def act(self, clinic: Clinic, what: Callable[[bridge.Link], T], die_at: int = NEVER) -> T | BridgeError | None:
        """One command of a clinic. What came of it; the error it ended with; None where it was killed."""
        self.kills = Kills(die_at)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sqlite3, "connect", partial(_unwaited, sqlite3.connect, self.kills))
            try:
                with self._link(clinic.path) as link:
                    return what(link)
            except Killed:
                return None
            except (OurFault, RunAgain):
                raise
            except BridgeError as error:
                return error
            finally:
                self.kills = Kills(NEVER)

    def sync(self, clinic: Clinic, die_at: int = NEVER) -> PlanResult | None:
        """The run over the clinic's one plan; None where it was killed, the plan is not bound here, or the run stopped."""
        came = self.act(clinic, lambda link: list(link.sync(self.at)[1]), die_at)
        results = came if isinstance(came, list) else []
        assert all(result.exit_code != OurFault.exit_code for result in results), results
        return results[0] if results else None

    @contextmanager
    def look(self, clinic: Clinic) -> Generator[Ledger]:
        with Ledger(clinic.path, now=self.now, owner="look", writing=False) as ledger:
            yield ledger

    def now(self) -> datetime:
        return self.clock

    def step(self, minutes: int) -> None:
        self.clock += timedelta(minutes=minutes)

    def _link(self, path: Path) -> bridge.Link:
        return _Inside(
            ledger_path=path, now=self.now, owner="a test", endpoint=self.endpoint, conventions=SITE, server=self
        )


@dataclass
class _Inside(bridge.Link):
    """A Link whose clients reach the town without a socket."""

    server: Server | None = None

    def _connected(self, to: Endpoint) -> Client:
        client, server = super()._connected(to), self.server
        assert server is not None
        client._http.close()  # pyright: ignore[reportPrivateUsage]
        client._http = httpx.Client(transport=httpx.MockTransport(server.respond))  # pyright: ignore[reportPrivateUsage]
        return client


def _unwaited(connect: Callable[..., sqlite3.Connection], kills: Kills, *places: Any, **named: Any) -> Any:
    """The ledger's connection, its transactions boundaries."""
    return connect(*places, factory=connection(kills), **named)


@cache
def the_plan() -> Plan:
    """Two stages of two criteria: enough to tell one from many, and to advance."""
    whole = occasions.an_acl_plan()
    return replace(whole, stages=tuple(map(_small, whole.stages[:2])))


def _small(stage: Stage) -> Stage:
    return replace(stage, criteria=stage.criteria[:2], precautions=(), exercises=())


def flexion(identity: str, degrees: int, status: str, at: datetime) -> Resource:
    """An Observation of active knee flexion."""
    measured, _ = observations("acl-reconstruction", "awaiting-decision")
    shown = next(each for each in measured if each["id"].endswith("flexion-2"))
    return {
        **json.loads(json.dumps(shown)),
        "id": identity,
        "status": status,
        "effectiveDateTime": at.isoformat(),
        "valueQuantity": {**shown["valueQuantity"], "value": degrees},
    }
