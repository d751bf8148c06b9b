"""What is signed does not depend on where the readings came from: files, a retrieval, or a server, whatever it offers."""

import json
from datetime import datetime
from pathlib import Path

import pytest

from careplan_bridge import bridge
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import SITE, endpoint, link, plan_of, settle_in
from tests.flow.workplace import observations

PROTOCOLS = ("acl-reconstruction", "achilles-repair", "knee-arthroplasty", "shoulder-stabilisation")
OUTCOMES = ("awaiting-decision", "blocked")


@pytest.mark.parametrize("outcome", OUTCOMES)
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_the_digest_is_the_same_from_files_and_from_either_server(protocol: str, outcome: str, tmp_path: Path) -> None:
    from_server = [_on_a_server(protocol, outcome, tmp_path, transactions=offered) for offered in (True, False)]
    found = {_from_files(protocol, outcome, tmp_path / "files"), *from_server}
    assert len(found) == 1


def test_one_newer_version_gives_another_digest(tmp_path: Path) -> None:
    before = _from_files("acl-reconstruction", "awaiting-decision", tmp_path)
    changed = next(tmp_path.glob("*flexion-2.json"))
    changed.write_text(changed.read_text().replace('"versionId": "1"', '"versionId": "2"'))
    plan, at = _asked("acl-reconstruction", "awaiting-decision")
    assert bridge.criteria(plan, bridge.entries([str(tmp_path)]), SITE, at).digest != before


def _from_files(protocol: str, outcome: str, folder: Path) -> str:
    """A folder with one file an Observation, named so that no order of the files is the order of the visits."""
    folder.mkdir(exist_ok=True)
    measured, _ = observations(protocol, outcome)
    for each in measured:
        (folder / f"{each['id'][::-1][:4]}-{each['id']}.json").write_text(json.dumps(each))
    plan, at = _asked(protocol, outcome)
    return bridge.criteria(plan, bridge.entries([str(folder)]), SITE, at).digest


def _on_a_server(protocol: str, outcome: str, folder: Path, *, transactions: bool) -> str:
    """From the server by a check, and from what a pull of it left in a file: the same, or it is no digest of the readings."""
    place = folder / ("together" if transactions else "one-by-one")
    place.mkdir()
    with Sandbox(transactions=transactions) as sandbox, link(place, endpoint(sandbox.base)) as site:
        plan, at = settle_in(site, sandbox.base, protocol, outcome)
        (place / "pulled.ndjson").write_bytes(bridge.retrieval_bytes(site.pull(plan)))
        digest = site.check(plan, at).digest
    assert bridge.criteria(plan, bridge.entries([str(place / "pulled.ndjson")]), SITE, at).digest == digest
    return digest


def _asked(protocol: str, outcome: str) -> tuple[Plan, datetime]:
    _, expected = observations(protocol, outcome)
    return plan_of(protocol, expected["case"]), datetime.fromisoformat(expected["at"])
