"""The engines' answers, asked for once a session. A test that uses them is marked `oracle` by itself."""

from collections.abc import Sequence
from dataclasses import dataclass

import pytest

from tests.conformance import real_parts
from tests.oracles import engines
from tests.oracles.cases import Record, judged
from tests.oracles.engines import Answers
from tests.oracles.units import pairs

# Records of each setting. FHIRPath says everything again for each criterion, so the same time is enough for fewer of them.
FOR_CQL, FOR_FHIRPATH = 360, 100


@dataclass(frozen=True, slots=True)
class Asked:
    """The records that an oracle was asked about, and its answers in the same order."""

    records: Sequence[Record]
    answers: Answers


@pytest.fixture(scope="session")
def oracle_answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Asked]:
    """By oracle: `fhirpath` and `cql`. They work side by side."""
    if reason := engines.why_not():
        real_parts.absent("oracle", reason)
    records, fewer = judged(FOR_CQL, FOR_FHIRPATH)
    folders = (tmp_path_factory.mktemp("fhirpath"), tmp_path_factory.mktemp("cql"))
    with engines.fhirpath(folders[0], fewer) as fhirpath, engines.cql(folders[1], records) as cql:
        return {"cql": Asked(records, cql.answers()), "fhirpath": Asked(fewer, fhirpath.answers())}


@pytest.fixture(scope="session")
def ucum_answers(tmp_path_factory: pytest.TempPathFactory) -> list[float | None]:
    """In the order of the pairs: the converted amount, or None where the pair is refused."""
    if reason := engines.why_no_node():
        real_parts.absent("oracle", reason)
    job = [[float(amount), unit_from, unit_to] for amount, unit_from, unit_to in pairs()]
    with engines.running("ucum.mjs", tmp_path_factory.mktemp("ucum"), job) as process:
        return process.answers()
