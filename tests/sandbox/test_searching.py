import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.sandbox.outcome import Refused
from careplan_bridge.sandbox.searching import read_query, split, unescape

texts = st.text(alphabet="ab,|$\\", max_size=12)


def escape(text: str) -> str:
    return "".join(f"\\{character}" if character in ",|$\\" else character for character in text)


@given(texts)
def test_unescaping_undoes_escaping(text: str) -> None:
    assert unescape(escape(text)) == text


@given(st.lists(texts, min_size=1))
def test_escaped_choices_come_apart_where_they_were_joined(choices: list[str]) -> None:
    joined = ",".join(escape(choice) for choice in choices)
    assert [unescape(part) for part in split(joined, ",")] == choices


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("_count=0", (0, True, "accurate")),
        ("_count=5&_total=none", (5, False, "none")),
        ("_summary=count", (None, True, "accurate")),
        ("", (None, False, "accurate")),
    ],
)
def test_how_the_result_is_shown(text: str, shown: tuple[int | None, bool, str]) -> None:
    query = read_query("Patient", text)
    assert (query.count, query.summary_count, query.total) == shown


def test_parameters_without_a_value_say_nothing() -> None:
    assert read_query("Patient", "gender=&_id=").where == ()


def test_values_are_bound_never_pasted() -> None:
    query = read_query("Patient", "name=x'); DROP TABLE version;--&gender=')")
    assert all("DROP" not in condition.sql and "')" not in condition.sql for condition in query.where)


@pytest.mark.parametrize(
    "text", ["banana=1", "gender:above=male", "birthdate=soon", "_total=some", "_sort=gender", "_include=Patient:link"]
)
def test_what_cannot_be_honoured_is_refused(text: str) -> None:
    with pytest.raises(Refused) as refused:
        read_query("Patient", text)
    assert refused.value.status == 400


def test_only_unknown_parameters_are_forgiven() -> None:
    assert read_query("Patient", "banana=1&gender=male", lenient=True).text == "gender=male"
    with pytest.raises(Refused):
        read_query("Patient", "gender:above=male", lenient=True)
