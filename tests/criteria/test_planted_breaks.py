"""A rule that is broken on purpose is noticed: the scenarios that live by it fail, and no others."""

from collections.abc import Callable
from pathlib import Path

import pytest

from careplan_bridge.criteria import conditions, matching, outcome, red_flags, restrictions, survey, trend
from careplan_bridge.criteria.current import Terms
from careplan_bridge.criteria.outcome import Judged
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.responses import Responses
from careplan_bridge.criteria.truth import MET
from careplan_bridge.errors import DecisionRefused
from careplan_bridge.model.check import CriterionResult, Outcome, RestrictionResult, Verdict
from careplan_bridge.model.criterion import FirstDoneOf
from tests.scenarios import judged, stage

Break = Callable[[pytest.MonkeyPatch], None]


def a_passive_limit_spares_active_values(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(matching, "_EVERY_WAY", frozenset[str]())


def the_end_of_a_restriction_clears_what_was_beyond_it(patch: pytest.MonkeyPatch) -> None:
    judge = restrictions.judge

    def only_in_force(record: Record, responses: Responses) -> tuple[RestrictionResult, ...]:
        return tuple(result for result in judge(record, responses) if result.in_force)

    patch.setattr(restrictions, "judge", only_in_force)


def unknown_is_met(patch: pytest.MonkeyPatch) -> None:
    follows = outcome.outcome

    def hopeful(record: Record, seen: Judged) -> Outcome:
        found = follows(record, seen)
        return Outcome.AWAITING_DECISION if found is Outcome.INFORMATION_MISSING else found

    patch.setattr(outcome, "outcome", hopeful)


def the_best_alternative_decides(patch: pytest.MonkeyPatch) -> None:
    def best(condition: FirstDoneOf, terms: Terms, record: Record) -> CriterionResult:
        parts = [conditions.judge(rung.condition, terms, record) for rung in condition.alternatives]
        return next((part for part in parts if part.verdict is MET), parts[0])

    patch.setattr(conditions, "_first_done", best)


def a_denial_that_was_never_made_counts(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(red_flags, "NOT_ASKED", red_flags.ABSENT)


def readings_before_a_surgery_count(patch: pytest.MonkeyPatch) -> None:
    def counts(_: Record, __: object) -> Verdict:
        return MET

    patch.setattr(Record, "after_surgery", counts)


def a_response_covers_nothing(patch: pytest.MonkeyPatch) -> None:
    def none(*_: object) -> None:
        return None

    patch.setattr(Responses, "_to", none)


def more_is_always_better(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(survey, "_BEYOND", ())


def every_movement_is_a_change(patch: pytest.MonkeyPatch) -> None:
    def exact(*_: object) -> list[int]:
        return [0]

    patch.setattr(trend, "figures", exact)


PLANTED: list[tuple[Break, list[str]]] = [
    (a_passive_limit_spares_active_values, ["01", "02", "03", "04"]),
    (the_end_of_a_restriction_clears_what_was_beyond_it, ["03", "04"]),
    (unknown_is_met, ["10", "13", "17", "20", "22"]),
    (the_best_alternative_decides, ["06"]),
    (a_denial_that_was_never_made_counts, ["13"]),
    (readings_before_a_surgery_count, ["20"]),
    (a_response_covers_nothing, ["04", "12"]),
    (more_is_always_better, ["16"]),
    (every_movement_is_a_change, ["08", "09"]),
]


@pytest.mark.parametrize(("broken", "scenarios"), PLANTED, ids=[broken.__name__ for broken, _ in PLANTED])
def test_a_broken_rule_fails_its_scenarios(
    broken: Break, scenarios: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    broken(monkeypatch)
    assert failing() == scenarios


def test_unbroken_none_fails() -> None:
    assert failing() == []


def failing() -> list[str]:
    """The numbers of the scenarios that do not turn out as expected."""
    return sorted({folder.name[:2] for folder in stage.FOLDERS if not _holds(folder)})


def _holds(folder: Path) -> bool:
    try:
        judged.holds(folder)
    except (AssertionError, DecisionRefused):  # a response is refused where nothing waits for one
        return False
    return True
