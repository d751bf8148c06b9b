import msgspec
import pytest

from careplan_bridge.fhir import raw
from careplan_bridge.writeback.content import holds

SENT = {
    "resourceType": "Questionnaire",
    "url": "u",
    "item": [{"linkId": "1", "maxLength": 5}],
    "x": msgspec.Raw(b"90.0"),
}


@pytest.mark.parametrize(
    "added",
    [
        {"id": "7", "meta": {"versionId": "1"}},
        {"date": "2026-03-04"},
        {"item": [{"linkId": "1", "maxLength": 5, "type": "group"}]},
        {"x": msgspec.Raw(b"90.00")},
        {"x": 90},
        {"x": msgspec.Raw(b"9e1")},
    ],
)
def test_what_a_server_adds_or_spells_its_own_way_is_no_difference(added: dict[str, object]) -> None:
    assert holds(raw.decode(raw.encode({**SENT, **added})), SENT)


@pytest.mark.parametrize(
    "changed",
    [
        {"url": "v"},
        {"item": []},
        {"item": [{"linkId": "1", "maxLength": 6}]},
        {"item": [{"linkId": "1", "maxLength": 5}, {"linkId": "2"}]},
        {"item": {"linkId": "1"}},
        {"x": msgspec.Raw(b"90.01")},
        {"x": True},
        {"x": None},
    ],
)
def test_what_we_sent_and_is_not_there_is_a_difference(changed: dict[str, object]) -> None:
    assert not holds({**SENT, **changed}, SENT)


CODES = [{"system": "s", "code": "a"}, {"system": "s", "code": "b"}]
TURNED = [{"system": "s", "code": "b", "display": "B"}, {"system": "s", "code": "a"}]


@pytest.mark.parametrize("name", ["addresses", "category", "coding", "identifier"])
def test_the_order_of_a_list_counts_only_where_it_means_something(name: str) -> None:
    assert holds({name: TURNED}, {name: CODES})
    assert not holds({"action": TURNED}, {"action": CODES})
    assert not holds({name: [TURNED[0], TURNED[0]]}, {name: CODES})
    assert not holds({name: [*TURNED, CODES[0]]}, {name: CODES})


def test_each_that_was_sent_has_one_of_its_own_there() -> None:
    """The first fits both, the second only one of them."""
    assert holds(
        {"coding": [{"code": "a", "system": "s"}, {"code": "a"}]},
        {"coding": [{"code": "a"}, {"code": "a", "system": "s"}]},
    )
    assert not holds({"coding": [{"code": "a"}, {"code": "b"}]}, {"coding": [{"code": "a"}, {"code": "a"}]})
