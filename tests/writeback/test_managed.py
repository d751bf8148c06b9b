import pytest

from careplan_bridge.errors import WriteConflict
from careplan_bridge.writeback.identity import Resource
from careplan_bridge.writeback.managed import differing, flat, ground, refuse_overwriting

STAGE = "https://example.org/p/stage"


def care_plan(*, status: str = "active", first: str = "in-progress", goals: tuple[str, ...] = ("Goal/1",)) -> Resource:
    activity = {"detail": {"code": {"coding": [{"system": STAGE, "code": "settle"}]}, "status": first}}
    return {
        "resourceType": "CarePlan",
        "id": "7",
        "instantiatesCanonical": ["https://example.org/p|1.0.0"],
        "status": status,
        "goal": [{"reference": goal} for goal in goals],
        "activity": [activity],
    }


LAST = flat(care_plan())


def test_what_nobody_else_touched_may_be_written() -> None:
    refuse_overwriting(LAST, care_plan(), care_plan(first="completed"))


def test_what_someone_else_set_to_the_same_is_no_conflict() -> None:
    refuse_overwriting(LAST, care_plan(first="completed"), care_plan(first="completed"))


def test_a_change_elsewhere_beside_ours_is_no_conflict() -> None:
    refuse_overwriting(LAST, care_plan(status="on-hold"), care_plan(status="on-hold", first="completed"))


def test_overwriting_a_change_elsewhere_is_refused_with_all_three_values() -> None:
    with pytest.raises(WriteConflict) as conflict:
        refuse_overwriting(LAST, care_plan(first="stopped"), care_plan(first="completed"))
    says = f'activity.{STAGE}|settle.status was "in-progress", is "stopped", and would become "completed"'
    assert f"CarePlan/7 was changed elsewhere since we last wrote it: {says}." in str(conflict.value)


def test_a_goal_that_another_added_stays_beside_ours() -> None:
    refuse_overwriting(LAST, care_plan(goals=("Goal/1", "Goal/9")), care_plan(goals=("Goal/1", "Goal/9", "Goal/2")))


def test_taking_away_what_another_added_is_refused() -> None:
    with pytest.raises(WriteConflict, match=r'goal\["Goal/9"\] was nothing, is "listed", and would become nothing'):
        refuse_overwriting(
            LAST, care_plan(goals=("Goal/1", "Goal/9")), care_plan(goals=("Goal/1", "Goal/2")) | {"status": "active"}
        )


def test_what_was_never_seen_is_not_written() -> None:
    with pytest.raises(WriteConflict, match="never written or read by this ledger"):
        refuse_overwriting(None, care_plan(), care_plan(first="completed"))


def test_a_change_elsewhere_is_still_one_after_our_own_write() -> None:
    """Else it would be overwritten without a word the next time."""
    before, after = care_plan(status="on-hold"), care_plan(status="on-hold", first="completed")
    stands_on = ground(LAST, flat(before), flat(after))
    with pytest.raises(WriteConflict, match='status was "active", is "on-hold"'):
        refuse_overwriting(stands_on, after, {**after, "status": "completed"})
    refuse_overwriting(stands_on, after, care_plan(status="on-hold", first="cancelled"))


def test_what_a_server_keeps_otherwise_than_sent_is_named() -> None:
    assert differing(care_plan(), care_plan()) == []
    assert differing(care_plan(), care_plan(status="unknown")) == ["status"]
