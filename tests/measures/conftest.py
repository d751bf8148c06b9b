"""The catalogue that ships, for every test here."""

import pytest

from careplan_bridge.files.shipped import catalogue as shipped
from careplan_bridge.model.measure import Catalogue


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return shipped()
