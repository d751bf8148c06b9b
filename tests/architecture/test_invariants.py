"""The invariants hold in every module, and each rule that says so can fail."""

import pytest

from tests.architecture.rules import EXCUSED, RULES, Rule
from tests.architecture.source import Module, modules, uses

EVERY = modules()


def _broken(module: Module) -> list[str]:
    return [violation for rule in RULES for violation in rule.violations(module)]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: f"{rule.id}: {rule.says}")
def test_no_module_breaks_an_invariant(rule: Rule) -> None:
    broken = [violation for module in EVERY for violation in rule.violations(module)]
    assert not broken, "\n".join(broken)


def test_every_excuse_is_still_needed() -> None:
    forbidden = {(module.name, use.name) for rule in RULES for module in EVERY for use in rule.forbidden_uses(module)}
    assert set(EXCUSED) - forbidden == set()


# Each line breaks exactly one rule, in the module where it stands.
PLANTED = [
    ("I1", "criteria.check", "from pathlib import Path"),
    ("I1", "model.plan", "import sqlite3 as db"),
    ("I1", "measures.reader", "from random import choice"),
    ("I1", "planning.draft", "import os.path"),
    ("I1", "protocol.reading", "import logging"),
    ("I1", "planning.draft", "import uuid\nidentity = uuid.uuid4()"),
    ("I1", "measures.catalogue", "import time\npause = time.monotonic"),
    ("I1", "syntax.yaml", "import sys\nsys.stdin"),
    ("I1", "review.page", "page = open('page.html')"),
    ("I1", "review.charts", "from importlib.resources import files"),
    ("I1", "retrieval.spool", "def keep(spool): spool.write_bytes(b'')"),
    ("I2", "endpoint.search", "import httpx"),
    ("I2", "writeback.apply", "from httpx import Client"),
    ("I2", "review.page", "from fhir.resources.R4B.goal import Goal"),
    ("I2", "fhir.goals", "from fhir.resources.goal import Goal"),
    ("I5", "retrieval.pull", "from careplan_bridge.endpoint.send import create"),
    ("I5", "endpoint.search", "from .send import create"),
    ("I5", "caseload.run", "from careplan_bridge.endpoint import send"),
    ("I5", "bridge", "from .endpoint import send"),
    ("I7", "files.opened", "print('read')"),
    ("I7", "caseload.run", "raise SystemExit(1)"),
    ("I7", "endpoint.login", "import sys as system\nsystem.exit(3)"),
    ("I7", "bridge", "import click"),
    ("I8", "caseload.run", "from datetime import datetime as moment\nmoment.now()"),
    ("I8", "ledger.intents", "import time\ntime.time()"),
    ("I8", "cli.sync", "import datetime\ndatetime.date.today()"),
    ("sandbox", "sandbox.store", "from careplan_bridge.errors import OurFault"),
    ("sandbox", "sandbox.store", "from ..fhir import raw"),
]


@pytest.mark.parametrize(("rule", "place", "source"), PLANTED)
def test_a_planted_violation_is_found(rule: str, place: str, source: str) -> None:
    broken = _broken(Module.of(f"careplan_bridge.{place}", source))
    assert broken
    assert all(f". {rule}: " in violation for violation in broken), broken


ALLOWED = [
    ("files.opened", "from pathlib import Path\nPath('x').read_bytes()"),
    ("cli.clock", "from datetime import UTC, datetime\ndatetime.now(UTC)"),
    ("cli.main", "import sys, click\nprint('done')\nsys.exit(0)"),
    ("endpoint.http", "import httpx, time\ntime.monotonic()"),
    ("fhir.goals", "from fhir.resources.R4B.goal import Goal"),
    ("writeback.apply", "from careplan_bridge.endpoint import send"),
    ("protocol.reading", "from pathlib import PurePath\nfrom uuid import uuid5\nfrom urllib.parse import quote"),
    ("sandbox.store", "from careplan_bridge.sandbox import clock\nfrom . import outcome"),
    ("bridge", "from careplan_bridge.files import documents\ndocuments.read_bytes"),
    ("model.measure", "class Qualifier:\n    open: bool = False"),
    ("criteria.check", "def now(datetime): return datetime.now"),
]


@pytest.mark.parametrize(("place", "source"), ALLOWED)
def test_what_a_rule_allows_is_not_found(place: str, source: str) -> None:
    assert _broken(Module.of(f"careplan_bridge.{place}", source)) == []


def test_every_rule_has_a_planted_violation() -> None:
    unproven = [
        rule.says
        for rule in RULES
        if not any(rule.violations(Module.of(f"careplan_bridge.{place}", source)) for _, place, source in PLANTED)
    ]
    assert unproven == []


def test_names_are_followed_back_through_relative_imports_and_aliases() -> None:
    package = Module.of("careplan_bridge.endpoint", "from . import send as s\ns.create()", is_package=True)
    assert "careplan_bridge.endpoint.send.create" in {use.name for use in uses(package)}


def test_the_modules_are_found() -> None:
    assert {"careplan_bridge", "careplan_bridge.errors", "careplan_bridge.model"} <= {module.name for module in EVERY}
