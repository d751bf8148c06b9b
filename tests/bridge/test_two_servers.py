"""Readings on one server, plans on another: two sandboxes, each with its own login, its own Patient, and a trap in place of the other's."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from careplan_bridge import bridge
from careplan_bridge.errors import DecisionRefused, ServerRefused, WriteConflict, WrongUse
from careplan_bridge.model.decision import Decision
from careplan_bridge.model.endpoint import Auth, Endpoint, Roles
from careplan_bridge.model.plan import Plan
from careplan_bridge.sandbox.exchange import Answer, Asked, Handler
from careplan_bridge.sandbox.server import Sandbox
from tests.bridge.clinic import NOW, SITE, held, plan_of, record
from tests.flow.workplace import observations

PROTOCOL, THERAPIST = "acl-reconstruction", "t-lindqvist"
SYSTEM = "https://example.org/insurance-number"
THERE = "Patient/p-77"
TOKENS = {"READINGS_TOKEN": "of-the-readings", "RECORD_TOKEN": "of-the-record"}


@dataclass
class Heard:
    """What reached a server, and with which login."""

    asked: list[Asked] = field(default_factory=list[Asked])

    def __call__(self, asked: Asked, handler: Handler) -> Answer:
        if asked.header("authorization"):  # what the test itself asks has none
            self.asked.append(asked)
        return handler(asked)

    @property
    def tokens(self) -> set[str]:
        return {(asked.header("authorization") or "").removeprefix("Bearer ") for asked in self.asked}

    @property
    def written(self) -> set[str]:
        return {asked.path[0] if asked.path else "transaction" for asked in self.asked if asked.method != "GET"}

    def about(self, reference: str) -> bool:
        return any(reference in "/".join(asked.path) + asked.query.replace("%2F", "/") for asked in self.asked)


@dataclass
class Servers:
    readings: Sandbox
    record: Sandbox
    folder: Path
    plan: Plan
    at: datetime
    heard: tuple[Heard, Heard]

    def file(self, **changed: Any) -> Endpoint:
        token = Auth(kind="token", token_env="RECORD_TOKEN")
        there = Endpoint(
            name="the-record", base=self.record.base, environment="sandbox", auth=token, unsigned=("re-open",)
        )
        here = Endpoint(
            name="the-readings",
            base=self.readings.base,
            environment="sandbox",
            auth=replace(token, token_env="READINGS_TOKEN"),
            roles=Roles(plans="the-record.toml", patient_identifier=SYSTEM),
            record=there,
        )
        return replace(here, **changed)

    def link(self, where: Endpoint | None = None) -> bridge.Link:
        return bridge.Link(
            ledger_path=self.folder / "ledger.sqlite",
            now=lambda: NOW,
            owner="a test",
            endpoint=where or self.file(),
            conventions=SITE,
            environ=TOKENS,
        )

    def written(self) -> list[dict[str, Any]]:
        kinds = ("CarePlan", "Goal", "Provenance")
        return [one for kind in kinds for one in held(self.record.base, kind, _count="200")]


def person(reference: str, number: str | None = None, **more: Any) -> dict[str, Any]:
    numbers = [{"system": SYSTEM, "value": number}] if number else []
    identified = {"identifier": numbers} if numbers else {}
    return {"resourceType": "Patient", "id": reference.partition("/")[2], **identified, **more}


@pytest.fixture
def servers(tmp_path: Path) -> Iterator[Servers]:
    measured, expected = observations(PROTOCOL, "awaiting-decision")
    plan = plan_of(PROTOCOL, expected["case"])
    with Sandbox() as readings, Sandbox() as kept:
        record(readings.base, [person(plan.patient, "A-1"), *measured])
        # On the other server the same id is somebody else's.
        record(kept.base, [person(plan.patient, "B-2"), person(THERE, "A-1")])
        heard = Heard(), Heard()
        readings.misbehaviours.append(heard[0])
        kept.misbehaviours.append(heard[1])
        yield Servers(readings, kept, tmp_path, plan, datetime.fromisoformat(expected["at"]), heard)


def decided(site: bridge.Link, servers: Servers) -> Decision:
    check = site.check(site.plan(servers.plan.id), servers.at)
    return site.decide(check, "advance", "all met", servers.at)


def test_readings_come_from_one_and_decisions_go_to_the_other(servers: Servers) -> None:
    with servers.link() as site:
        site.push_plan(servers.plan)
        decision = decided(site, servers)
        says = site.forecast(decision).says
        assert site.sign(decision.id, THERAPIST, servers.at).receipt is not None
        (result,) = site.sync(servers.at)[1]
    assert says[-1] == "the readings lie on another server: they are named by their addresses there"
    assert (result.status, result.exit_code) == ("unchanged", 0)
    subjects = {one["subject"]["reference"] for one in servers.written() if "subject" in one}
    assert subjects == {THERE}
    assert [one["status"] for one in held(servers.record.base, "CarePlan")] == ["active"]
    assert (servers.heard[0].written, servers.heard[1].about(servers.plan.patient)) == (set(), False)


def test_evidence_of_the_other_server_is_named_by_its_address_alone(servers: Servers) -> None:
    with servers.link() as site:
        site.push_plan(servers.plan)
        site.sign(decided(site, servers).id, THERAPIST, servers.at)
    text = json.dumps(servers.written())
    assert '"Observation/' not in text
    (provenance,) = held(servers.record.base, "Provenance")
    sources = [one["what"] for one in provenance["entity"] if one["what"].get("type") == "Observation"]
    outcomes = [one for goal in held(servers.record.base, "Goal") for one in goal.get("outcomeReference", [])]
    assert sources
    assert outcomes
    for one in (*sources, *outcomes):
        assert set(one) == {"type", "identifier", "extension"}
        assert one["identifier"]["system"] == "urn:ietf:rfc:3986"
        assert one["identifier"]["value"].startswith(f"{servers.readings.base}/Observation/")


def test_each_token_goes_to_its_own_server(servers: Servers) -> None:
    with servers.link() as site:
        site.push_plan(servers.plan)
        site.sign(decided(site, servers).id, THERAPIST, servers.at)
    assert [heard.tokens for heard in servers.heard] == [{"of-the-readings"}, {"of-the-record"}]


def test_the_login_of_the_record_is_not_needed_to_read(servers: Servers) -> None:
    with replace_environ(servers.link(), READINGS_TOKEN="of-the-readings") as site:
        assert site.check(servers.plan, servers.at).complete


def replace_environ(site: bridge.Link, **environ: str) -> bridge.Link:
    site.environ = environ
    return site


def test_a_second_push_and_a_second_signing_add_nothing(servers: Servers) -> None:
    with servers.link() as site:
        site.push_plan(servers.plan)
        decision = decided(site, servers)
        site.sign(decision.id, THERAPIST, servers.at)
        before = servers.written()
        assert site.push_plan(site.plan(servers.plan.id)).changed == 0
        assert site.sign(decision.id, THERAPIST, servers.at).receipt is None
    assert servers.written() == before


def test_a_reading_withdrawn_there_opens_the_goal_here_again(servers: Servers) -> None:
    with servers.link() as site:
        site.push_plan(servers.plan)
        decision = site.decide(site.check(servers.plan, servers.at), "remain", "not yet", servers.at)
        site.sign(decision.id, THERAPIST, servers.at)
        achieved = [goal for goal in held(servers.record.base, "Goal") if "outcomeReference" in goal]
        used = achieved[0]["outcomeReference"][0]["identifier"]["value"].rpartition("/")[2]
        (gone,) = held(servers.readings.base, "Observation", _id=used)
        record(servers.readings.base, [{**gone, "status": "entered-in-error"}])
        (result,) = site.sync(servers.at)[1]
    assert result.status == "done"
    (again,) = held(servers.record.base, "Goal", _id=achieved[0]["id"])
    assert again["achievementStatus"]["coding"][0]["code"] == "in-progress"


@pytest.mark.parametrize(
    ("on_record", "system", "says"),
    [
        (
            [],
            None,
            "which Patient of the-record the plan is about is not known; name the Patient there with `push PLAN",
        ),
        ([person(THERE, "C-3")], SYSTEM, "the-record finds no Patients by `patient_identifier`"),
        ([person("Patient/p-78", "A-1")], SYSTEM, "the-record finds 2 Patients by `patient_identifier`"),
        ([person(THERE, "A-1", birthDate="1990-01-02")], SYSTEM, "have another date of birth"),
    ],
)
def test_who_is_not_known_there_is_not_guessed(
    servers: Servers, on_record: list[dict[str, Any]], system: str | None, says: str
) -> None:
    record(servers.readings.base, [person(servers.plan.patient, "A-1", birthDate="1990-01-01")])
    record(servers.record.base, on_record)
    where = servers.file(roles=Roles(plans="the-record.toml", patient_identifier=system))
    with servers.link(where) as site, pytest.raises(WrongUse, match=says) as refused:
        site.push_plan(servers.plan)
    assert "A-1" not in str(refused.value)
    assert "1990" not in str(refused.value)
    assert servers.heard[1].written == set()


def test_a_patient_without_the_number_is_not_found_by_it(servers: Servers) -> None:
    record(servers.readings.base, [person(servers.plan.patient)])
    with servers.link() as site, pytest.raises(WrongUse, match="the Patient on the-readings has no identifiers"):
        site.push_plan(servers.plan)


def test_a_person_says_who_it_is(servers: Servers) -> None:
    where = servers.file(roles=Roles(plans="the-record.toml"))
    with servers.link(where) as site:
        assert site.push_plan(servers.plan, patient=THERE).changed
        assert site.push_plan(servers.plan).changed == 0
        with pytest.raises(WrongUse, match="was pushed for another patient"):
            site.push_plan(servers.plan, patient=servers.plan.patient)


def test_who_carries_another_number_is_refused_whoever_says_so(servers: Servers) -> None:
    with servers.link() as site, pytest.raises(WrongUse, match="have another value under `patient_identifier`"):
        site.push_plan(servers.plan, patient=servers.plan.patient)
    with servers.link() as site, pytest.raises(WriteConflict, match="on the-record, the Patient never was there"):
        site.push_plan(servers.plan, patient="Patient/nobody")


def test_one_server_has_one_patient(servers: Servers) -> None:
    alone = servers.file(roles=Roles(), record=None)
    with servers.link(alone) as site, pytest.raises(WrongUse, match="--patient names the Patient on another server"):
        site.push_plan(servers.plan, patient=THERE)


def test_the_record_alone_is_never_asked_for_the_readings(servers: Servers) -> None:
    """The plan's Patient id is another person's there."""
    with servers.link() as site:
        site.push_plan(servers.plan)
        decision = decided(site, servers)
    alone = servers.file().record
    with servers.link(alone) as site:
        with pytest.raises(WrongUse, match="the same id may be another person's here"):
            site.pull(servers.plan)
        with pytest.raises(WrongUse, match="the same id"):
            site.check(servers.plan, servers.at)
        with pytest.raises(WrongUse, match="the same id"):
            site.sign(decision.id, THERAPIST, servers.at)
        assert site.sync(servers.at)[0] == 0


def test_a_decision_to_be_written_needs_the_record_alone(servers: Servers) -> None:
    """What was acknowledged is written to its end, with the readings' addresses, whichever file names the record."""
    with servers.link() as site:
        site.push_plan(servers.plan)
        decision = decided(site, servers)
        servers.record.misbehaviours.append(takes_nothing)
        with pytest.raises(ServerRefused, match="rules"):
            site.sign(decision.id, THERAPIST, servers.at)
        servers.record.misbehaviours.remove(takes_nothing)
    with servers.link(servers.file().record) as site:
        assert site.sign(decision.id, THERAPIST, servers.at).receipt is not None
    assert '"Observation/' not in json.dumps(servers.written())


def takes_nothing(asked: Asked, handler: Handler) -> Answer:
    return handler(asked) if asked.method == "GET" else Answer(422)


def merged(base: str, reference: str, into: str) -> None:
    link = [{"other": {"reference": into}, "type": "replaced-by"}]
    record(base, [person(into, "A-1"), person(reference, "A-1", link=link)])


def test_a_patient_who_became_another_on_one_of_the_two(servers: Servers) -> None:
    said: dict[str, Any] = {"person": THERAPIST, "reason": "merged last week", "at": servers.at}
    with servers.link() as site:
        site.push_plan(servers.plan)
        decision = decided(site, servers)
        merged(servers.record.base, THERE, "Patient/p-99")
        (result,) = site.sync(servers.at)[1]
        assert (result.status, result.attention, result.exit_code) == ("refused", ("identity-changed: patient",), 4)
        with pytest.raises(WriteConflict, match="on the-record, the Patient was merged"):
            site.sign(decision.id, THERAPIST, servers.at)
        with pytest.raises(WrongUse, match="--role"):
            site.rebind(servers.plan.id, "Patient/p-99", **said)
        with pytest.raises(DecisionRefused, match="the Patient of this plan on the-readings is as it was"):
            site.rebind(servers.plan.id, "Patient/p-99", role="readings", **said)
        site.rebind(servers.plan.id, "Patient/p-99", role="plans", **said)
        binding = site.ledger.binding(servers.plan.id)
        assert binding is not None
        assert binding.patient == "Patient/p-99"
        assert site.plan(servers.plan.id).patient == servers.plan.patient
        assert site.sign(decision.id, THERAPIST, servers.at).receipt is not None

        merged(servers.readings.base, servers.plan.patient, "Patient/r-5")
        site.rebind(servers.plan.id, "Patient/r-5", role="readings", **said)
        assert site.plan(servers.plan.id).patient == "Patient/r-5"
        assert getattr(site.ledger.binding(servers.plan.id), "patient", None) == "Patient/p-99"
