"""What a check says, in the words of a scenario's expectation: only what the expectation speaks of."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from careplan_bridge.errors import PlanRefused
from careplan_bridge.model.check import CriteriaCheck
from tests.scenarios import stage


def holds(folder: Path) -> None:
    """Fails, as a test does, where the scenario does not turn out as expected."""
    wanted = stage.expected(folder)
    if "refused" in wanted:
        _refused(folder, wanted["refused"])
        return
    check = stage.checked(folder)
    assert {part: _SAID[part](check, wanted[part]) for part in wanted} == wanted


def _refused(folder: Path, named: list[str]) -> None:
    with pytest.raises(PlanRefused) as refusal:
        stage.drafted(folder)
    assert [name for name in named if f"'{name}'" in str(refusal.value)] == named


def _arithmetic(check: CriteriaCheck, wanted: dict[str, str]) -> dict[str, str]:
    """The part of the sum that is asked for, where it stands in the sentence."""
    said = {one.id: one.arithmetic for one in check.criteria}
    return {name: text if text in said[name] else said[name] for name, text in wanted.items()}


def _some(field: str) -> Callable[[CriteriaCheck, dict[str, object]], dict[str, object]]:
    return lambda check, wanted: {one.id: getattr(one, field) for one in check.criteria if one.id in wanted}


def _missing(check: CriteriaCheck, wanted: list[str]) -> list[str]:
    """The words asked for, each found in a sentence of its own; what is missing beyond them is added."""
    unexplained = [sentence for sentence in check.missing if not any(word in sentence for word in wanted)]
    return [word for word in wanted if any(word in sentence for sentence in check.missing)] + unexplained


_SAID: dict[str, Callable[[CriteriaCheck, Any], object]] = {
    "outcome": lambda check, _: check.outcome,
    "stage": lambda check, _: check.stage,
    "criteria": lambda check, _: {one.id: one.verdict for one in check.criteria},
    "restrictions": lambda check, _: {one.id: one.state for one in check.restrictions},
    "red_flags": lambda check, _: {one.id: one.state for one in check.red_flags},
    "attention": lambda check, _: sorted({one.mark for one in check.attention}),
    "contact": lambda check, _: check.clinic.contact,
    "signatures": lambda check, _: [f"{one.decision}: {one.role}" for one in check.signatures_needed],
    "own_goals": lambda check, _: {one.id: one.reached for one in check.own_goals},
    "unusable": lambda check, _: [one.reason for one in check.unusable],
    "history": lambda check, wanted: {
        one.id: [reading.shown for reading in one.readings if not reading.used]
        for one in check.criteria
        if one.id in wanted
    },
    "arithmetic": _arithmetic,
    "trend": _some("trend"),
    "near": _some("within_measurement_error"),
    "missing": _missing,
}
