"""Our verdicts against the same criteria exported as FHIRPath and as CQL, evaluated by other people's engines."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from tests.oracles import explained
from tests.oracles.asked import criteria
from tests.oracles.cases import kinds
from tests.oracles.conftest import Asked
from tests.oracles.explained import Kind, objections

ORACLES = ("cql", "fhirpath")


@dataclass(frozen=True, slots=True)
class Disagreement:
    criterion: str
    ours: bool | None
    theirs: Any
    setting: str
    record: str

    def __str__(self) -> str:
        return f"{self.criterion} in {self.setting}: we say {self.ours}, they say {self.theirs}, of {self.record}"


@pytest.mark.parametrize("oracle", ORACLES)
def test_every_verdict_is_the_oracles_or_the_difference_is_explained(
    oracle: str, oracle_answers: dict[str, Asked]
) -> None:
    found = list(_disagreements(oracle_answers[oracle]))
    said = objections(found, explained.kinds(oracle), _covers)
    assert not said, f"{len(found)} disagreements\n" + "\n".join(said[:20])


def test_there_are_enough_cases_of_every_kind_and_verdict(oracle_answers: dict[str, Asked]) -> None:
    asked = {oracle: Counter(_cases(oracle_answers[oracle])) for oracle in ORACLES}
    assert sum(cases.total() for cases in asked.values()) >= 20_000
    for oracle, cases in asked.items():
        for kind in criteria():
            verdicts = {verdict: count for (name, verdict), count in cases.items() if name == kind}
            assert min(verdicts.get(True, 0), verdicts.get(False, 0)) >= 3, f"{oracle}, {kind}: {verdicts}"
            print(f"{oracle:9} {kind:22} {sum(verdicts.values()):6} {verdicts}")


def test_a_wrong_verdict_would_be_seen(oracle_answers: dict[str, Asked]) -> None:
    """The comparison can fail: turn the answers to one criterion round."""
    asked = oracle_answers["cql"]
    record = next(place for place, one in enumerate(asked.records) if True in one.ours.values())
    turned = [[not answer for answer in answers] for answers in asked.answers[record : record + 1]]
    assert list(_disagreements(Asked(asked.records[record : record + 1], turned)))


def _cases(asked: Asked) -> Iterator[tuple[str, bool | None]]:
    names = kinds()
    return ((names[criterion], verdict) for record in asked.records for criterion, verdict in record.ours.items())


def _disagreements(asked: Asked) -> Iterator[Disagreement]:
    for record, answers in zip(asked.records, asked.answers, strict=True):
        for (criterion, ours), theirs in zip(record.ours.items(), answers, strict=True):
            if ours is not theirs:
                yield Disagreement(criterion, ours, theirs, record.setting.name, repr(record.entries))


def _covers(kind: Kind, one: Disagreement) -> bool:
    return one.criterion in kind.of["criteria"] and all(word in one.record for word in kind.of["words"])
