"""Faults of shape are said once, and what remains is examined."""

from typing import ClassVar

import pytest

from careplan_bridge.endpoint.endpoint_file import EndpointPart
from careplan_bridge.measures.conventions_file import ClinicPart
from careplan_bridge.protocol import case_shape, shape
from careplan_bridge.syntax.shape import Part, shaped
from careplan_bridge.syntax.spot import Faults
from careplan_bridge.syntax.values import Id, Text
from careplan_bridge.syntax.yaml import load

MODULES = (shape, case_shape)
PARTS: list[type[Part]] = [
    *(
        kind
        for module in MODULES
        for kind in vars(module).values()
        if isinstance(kind, type) and issubclass(kind, Part)
    ),
    *(EndpointPart, ClinicPart),
]


class Inner(Part):
    stand_ins: ClassVar = {"name": "Not An Id"}

    name: Id


class Outer(Part):
    inner: tuple[Inner, ...]
    title: Text = "-"


def _examined(text: str) -> tuple[Outer | None, list[str]]:
    faults = Faults("f")
    return shaped(Outer, load(text.encode(), "f"), faults)[0], [str(fault) for fault in faults.sorted()]


def test_a_stand_in_that_does_not_fit_itself_is_given_up() -> None:
    found, said = _examined("inner: [{}, { name: fine }]")
    assert said == ["f:1:9: `name` is missing; add `name`"]
    assert found is not None
    assert [part.name for part in found.inner] == ["fine"]


def test_a_faulty_part_is_cut_out_and_the_rest_is_kept() -> None:
    found, said = _examined("inner: [1, { name: fine, colour: red }]\ntitle: [a]")
    assert len(said) == 3
    assert found == Outer(inner=(Inner(name="fine"),))


def test_a_root_that_is_no_part_leaves_nothing() -> None:
    assert _examined("- a") == (None, ["f:1:1: the file must hold keys of its own; write `key: value` pairs below it"])


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.__name__)
def test_what_stands_in_fits(part: type[Part]) -> None:
    written = {
        key: value.format(line=1, column=1) if isinstance(value, str) else value
        for key, value in part.stand_ins.items()
    }
    demanded = {str(field.alias) for field in part.model_fields.values() if field.is_required()}
    assert demanded <= written.keys() or not written
    if written:
        assert part.model_validate(written)
