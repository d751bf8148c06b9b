"""A folder with a clinic's files, the installed command, and a server: what a person at a keyboard has."""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import httpx

FIXTURES = Path(__file__).parents[2] / "fixtures"
COMMAND = Path(sys.executable).with_name("careplan-bridge")
Resource = dict[str, Any]

ENDPOINT = """name = "peer"
base = "{base}"
environment = "sandbox"
us_core = true
unsigned = {unsigned}

[auth]
kind = "none"
"""


@dataclass(frozen=True)
class Workplace:
    folder: Path
    base: str

    @classmethod
    def set_up(cls, folder: Path, base: str, *, unsigned: Iterable[str] = ()) -> "Workplace":
        shutil.copy(FIXTURES / "conventions.toml", folder)
        (folder / "endpoint.toml").write_text(ENDPOINT.format(base=base, unsigned=json.dumps(list(unsigned))))
        return cls(folder, base)

    def run(self, *words: str, expect: int = 0) -> str:
        """Run the installed command in the folder; its stdout."""
        done = subprocess.run([str(COMMAND), *words], cwd=self.folder, capture_output=True, text=True, check=False)
        assert done.returncode == expect, f"{' '.join(words)}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
        assert "Traceback" not in done.stderr
        return done.stdout

    def site(self) -> tuple[str, ...]:
        return ("--endpoint", "endpoint.toml", "--conventions", "conventions.toml")

    def document(self, name: str) -> Any:
        return json.loads((self.folder / name).read_bytes())

    def record(self, resources: Iterable[Resource]) -> None:
        """Somebody else puts resources on the server, under their own ids."""
        with httpx.Client(base_url=self.base, timeout=60, trust_env=False) as server:
            for resource in resources:
                answer = server.put(f"/{resource['resourceType']}/{resource['id']}", json=resource)
                assert answer.status_code in (200, 201), answer.text

    def held(self, kind: str, **query: str) -> list[Resource]:
        """What the server holds."""
        with httpx.Client(base_url=self.base, timeout=60, trust_env=False) as server:
            answer = server.get(f"/{kind}", params=query | {"_count": "200"}, headers={"Cache-Control": "no-cache"})
        answer.raise_for_status()
        return [entry["resource"] for entry in answer.json().get("entry", [])]


def patient(case_patient: str) -> Resource:
    return {"resourceType": "Patient", "id": case_patient.partition("/")[2], "name": [{"text": "Invented Person"}]}


def observations(protocol: str, outcome: str) -> tuple[list[Resource], Mapping[str, Any]]:
    """A shipped set of Observations, and what it leads to."""
    folder = FIXTURES / "observations" / protocol / outcome
    lines = (folder / "observations.ndjson").read_text().splitlines()
    return [json.loads(line) for line in lines], json.loads((folder / "expected.json").read_bytes())


def plain(resources: Iterable[Resource], names: Mapping[str, str]) -> list[Resource]:
    """Resources as any server holds them: without server ids and meta, references by what they mean; in a stable order."""
    shown = (
        _plain({key: value for key, value in one.items() if key not in ("id", "meta")}, names) for one in resources
    )
    return sorted(shown, key=lambda resource: json.dumps(resource, sort_keys=True))


def _plain(value: Any, names: Mapping[str, str]) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item, names) for key, item in sorted(cast("Resource", value).items())}
    if isinstance(value, list):
        return [_plain(item, names) for item in cast("list[Any]", value)]
    return _named(value, names) if isinstance(value, str) else value


def _named(text: str, names: Mapping[str, str]) -> str:
    bare, _, version = text.partition("/_history/")
    if bare not in names:
        return text
    return f"{names[bare]}/_history/{version}" if version else names[bare]
