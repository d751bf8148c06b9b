"""The pages about our files name every key that the files may have."""

import re
from itertools import chain

import pytest

from careplan_bridge.endpoint.endpoint_file import AuthPart, EndpointPart, LimitsPart, TrustPart
from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.conventions_file import (
    QUALIFIERS,
    ClinicPart,
    CodePart,
    ConventionsPart,
    ConventionsTable,
)
from careplan_bridge.protocol import case_shape, shape
from careplan_bridge.syntax.shape import Part
from tests.fixtures.demo import FIXTURES

DOCS = FIXTURES.parent / "docs"
PAGES: dict[str, list[type[Part]]] = {
    "protocol-file.md": [
        *(shape.ProtocolPart, shape.StagePart, shape.DischargePart, shape.WindowPart, shape.RestrictionPart),
        *(shape.PrecautionPart, shape.ExercisePart, shape.CriterionPart, shape.AlternativePart, shape.RedFlagPart),
        shape.SignaturesPart,
    ],
    "case-file.md": [
        *(case_shape.CasePart, case_shape.SurgeryPart, case_shape.PersonPart, case_shape.OrderPart),
        *(case_shape.ConfirmedPart, case_shape.OwnGoalPart),
    ],
    "endpoint-and-conventions-files.md": [
        *(EndpointPart, AuthPart, LimitsPart, TrustPart, ClinicPart, ConventionsTable, CodePart, ConventionsPart),
    ],
}


@pytest.mark.parametrize("page", PAGES)
def test_every_key_is_on_its_page(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    named = {re.split("[:=]", word)[0].strip(" []") for word in re.findall("`([^`]+)`", text)}
    assert set(chain.from_iterable(part.keys() for part in PAGES[page])) - named == set()


def test_the_qualifiers_of_our_files_are_those_of_the_catalogue() -> None:
    known = {
        one.name for measure in catalogue().measures.values() for one in measure.qualifiers if measure.id != "finding"
    }
    assert set(shape.Qualified.model_fields) == set(QUALIFIERS) == known
