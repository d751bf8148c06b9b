"""Every resource that `convert` makes of the demo protocols is valid R4, its codes and extensions defined."""

from pathlib import Path

import pytest

from tests.conformance.converted import PROTOCOLS, converted
from tests.conformance.judgement import Judge


@pytest.mark.parametrize("protocol", PROTOCOLS, ids=lambda path: path.stem)
def test_a_converted_protocol_is_valid(protocol: Path, judge: Judge) -> None:
    said = [f"{name}: {line}" for name, text in converted(protocol).items() for line in judge.objections(text)]
    assert not said, "\n".join(said)
