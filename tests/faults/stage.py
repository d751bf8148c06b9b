"""A clinic in some scenes on one warm sandbox: a plan drafted, pushed, decided on. Each test starts from a scene, at no cost.

drafted   the record has the patient and all Observations, the folder has the plan document
pushed    CarePlan and Goals are on the server
decided   a decision waits in the ledger for its one signature
          ("without versions": it stands on readings of a server that versions nothing)
signed    the signature was given, and the first write of the decision was lost on its way
exceeded  a restriction was exceeded, and the folder has a check that shows it
"""

import shutil
from collections import Counter
from collections.abc import Generator
from contextlib import chdir, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import yaml
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from careplan_bridge import bridge
from careplan_bridge.cli.main import run
from careplan_bridge.ledger.ledger import Ledger
from careplan_bridge.sandbox.exchange import Misbehaviour
from careplan_bridge.sandbox.lacking import lacking
from careplan_bridge.sandbox.misbehaviours.registry import KINDS as KINDS_OF_SANDBOX
from careplan_bridge.sandbox.server import Sandbox
from tests.flow.workplace import FIXTURES, Workplace, observations, patient
from tests.writeback.occasions import now, on_server

Scene = Literal["drafted", "pushed", "decided", "decided without versions", "signed", "signed one by one", "exceeded"]
# Each scene and the one that it goes on from.
SCENES: dict[Scene, Scene | None] = {
    "drafted": None,
    "pushed": "drafted",
    "decided": "pushed",
    "decided without versions": "pushed",
    "signed": "decided",
    "signed one by one": "decided",
    "exceeded": "pushed",
}
PERSON = "t-lindqvist"
RESPOND = ["respond", "exceeded.json", "excess", "flexion", "--person", "s-oyelaran", "--reason", "Seen the same day"]
KINDS = ("CarePlan", "Goal", "Provenance")
WRITE_UNRESOLVED = 4

_ENDPOINT = """name = "rehearsal"
base = "{base}"
environment = "sandbox"
unsigned = ["in-progress", "improving", "worsening", "no-change", "re-open"]
"""
_SMALL_PAGES = "\n[limits]\npage_size = 4\n"
_LOGIN = """
[auth]
kind = "backend-services"
client_id = "bridge"
key_file = "key.pem"
key_id = "k1"
algorithm = "ES384"
scopes = ["system/Patient.rs", "system/Observation.rs", "system/CarePlan.crus", "system/Goal.crus", "system/Provenance.crs"]
"""
ENDPOINTS = {
    "endpoint": "",
    "one-by-one": 'transactions = "never"\n',
    "unguarded": 'transactions = "never"\nallow_unguarded = true\n',
    "categories": 'categories = ["exam", "survey"]\n',
    "by-post": 'search = "post"\n',
    "login": "",
}


@dataclass(frozen=True)
class Stage:
    """`templates` holds a folder for each scene; `states` what the sandbox held then; `before` ledger and server then."""

    sandbox: Sandbox
    templates: Path
    states: dict[Scene, bytes]
    before: dict[Scene, tuple[dict[str, int], dict[str, str]]]
    at: str

    def set(self, scene: Scene, folder: Path) -> None:
        """Brings the sandbox and this folder to a scene."""
        self.sandbox.misbehaviours.clear()
        self.sandbox.go_back_to(self.states[scene])
        shutil.copytree(self.templates / scene, folder, dirs_exist_ok=True)

    def words(self, command: str, endpoint: str = "endpoint") -> list[str]:
        """The words of a command on this stage; the current folder is the scene's."""
        site = ["--endpoint", f"{endpoint}.toml", "--ledger", "ledger.sqlite"]
        whole = [*site, "--conventions", "conventions.toml", "--at", self.at]
        return {
            "push": ["push", "plan/plan.json", *site],
            "pull": ["pull", "plan/plan.json", *site, "--to", "pulled.ndjson"],
            "sync": ["sync", *whole, "--to", "results.ndjson"],
            "criteria": ["criteria", "plan/plan.json", *whole, "--to", "check.json"],
            "sign": ["sign", "decision.json", "--person", PERSON, *whole],
            "respond": [*RESPOND, *site, "--at", self.at],
        }[command]

    def held(self) -> dict[str, str]:
        """How many resources of ours the server holds, and in how many versions all together."""
        found = {kind: on_server(self.sandbox.base, kind) for kind in KINDS}
        versions = {kind: sum(int(each["meta"]["versionId"]) for each in all_) for kind, all_ in found.items()}
        return {kind: f"{len(all_)} in {versions[kind]} versions" for kind, all_ in found.items() if all_}


@contextmanager
def set_up(templates: Path, *, small: bool = False) -> Generator[Stage]:
    """Plays the scenes once. `small`: with a protocol of two stages of two criteria, where what counts is how often a scene is run."""
    measured, expected = observations("acl-reconstruction", "awaiting-decision")
    with Sandbox() as sandbox, chdir(templates):
        stage = Stage(sandbox, templates, {}, {}, str(expected["at"]))
        for scene, parent in SCENES.items():
            folder = templates / scene
            folder.mkdir()
            if parent is not None:
                stage.set(parent, folder)
            with chdir(folder):
                if parent is None:
                    _lay_out(sandbox.base, str(expected["case"]))
                    if small:
                        _shorten(Path("protocol.yaml"))
                    _record(sandbox.base, measured)
                _play(stage, scene)
                stage.states[scene] = sandbox.state()
                stage.before[scene] = ledger_state(Path()), stage.held()
        yield stage


def _lay_out(base: str, case: str) -> None:
    shutil.copy(FIXTURES / "protocols/acl-reconstruction.yaml", "protocol.yaml")
    shutil.copy(FIXTURES / f"cases/{case}.yaml", "case.yaml")
    shutil.copy(FIXTURES / "conventions.toml", "conventions.toml")
    for name, more in ENDPOINTS.items():
        text = _ENDPOINT.format(base=base) + more + (_LOGIN if name == "login" else "") + _SMALL_PAGES
        Path(f"{name}.toml").write_text(text, encoding="utf-8")
    Path("key.pem").touch(0o600)
    key = ec.generate_private_key(ec.SECP384R1())
    Path("key.pem").write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))


def _shorten(protocol: Path) -> None:
    written = yaml.load(protocol.read_bytes(), yaml.BaseLoader)  # noqa: S506 - scalars as text only
    for stage in written["stages"]:
        stage["criteria"] = stage["criteria"][:2]
        stage.pop("precautions", None)
        stage.pop("exercises", None)
    written["stages"] = written["stages"][:2]
    protocol.write_text(yaml.safe_dump(written, sort_keys=False, allow_unicode=True), encoding="utf-8")


def _record(base: str, measured: list[dict[str, object]]) -> None:
    draft = ["draft", "protocol.yaml", "case.yaml", "--conventions", "conventions.toml", "--to", "plan"]
    assert run(draft) == 0
    plan = bridge.plan("plan/plan.json")
    others = {**measured[-1], "id": "of-somebody-else", "subject": {"reference": "Patient/somebody-else"}}
    Workplace(Path(), base).record([patient(plan.patient), patient("Patient/somebody-else"), *measured, others])


def _play(stage: Stage, scene: Scene) -> None:
    if scene == "pushed":
        assert run(stage.words("push")) == 0
    elif scene in {"decided", "decided without versions"}:
        if scene == "decided without versions":
            stage.sandbox.misbehaviours.append(without("version"))
        assert run(stage.words("criteria")) == 0
        decide = ["decide", "check.json", "advance", "--reason", "all met", "--ledger", "ledger.sqlite"]
        assert run([*decide, "--at", stage.at, "--to", "decision.json"]) == 0
        stage.sandbox.misbehaviours.clear()
    elif scene in {"signed", "signed one by one"}:
        stage.sandbox.misbehaviours.append(KINDS_OF_SANDBOX["closed-write-not-done"].make())
        assert run(stage.words("sign", "endpoint" if scene == "signed" else "one-by-one")) == WRITE_UNRESOLVED
        stage.sandbox.misbehaviours.clear()
    elif scene == "exceeded":
        found, _ = observations("acl-reconstruction", "blocked")
        Workplace(Path(), stage.sandbox.base).record(found)
        assert run([*stage.words("criteria")[:-1], "exceeded.json"]) == 0


def without(*lacks: str) -> Misbehaviour:
    """The sandbox as a server that lacks these, and says so."""
    return lambda asked, handler: lacking(handler, lacks)(asked)


def ledger_state(folder: Path) -> dict[str, int]:
    """How many intents are in which state, and the states of the decisions."""
    path = folder / "ledger.sqlite"
    if not path.exists():
        return {}
    with Ledger(path, now=now, owner="look", writing=False) as ledger:
        subjects = [plan.id for plan in ledger.plans()]
        intents = Counter(intent.state for subject in subjects for intent in ledger.intents(subject))
        decisions = Counter(f"decision {each.state}" for subject in subjects for each in ledger.decisions(subject))
    return dict(sorted(intents.items())) | dict(sorted(decisions.items()))
