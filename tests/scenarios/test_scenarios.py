"""What a clinician would try, as folders of files: protocol, case and Observations in, verdicts and outcome out."""

from pathlib import Path

import pytest

from tests.scenarios import judged, stage


@pytest.mark.parametrize("folder", stage.FOLDERS, ids=lambda folder: folder.name)
def test_scenario(folder: Path) -> None:
    judged.holds(folder)


@pytest.mark.parametrize("folder", stage.FOLDERS, ids=lambda folder: folder.name)
def test_a_scenario_tells_its_story(folder: Path) -> None:
    files = {file.name for file in folder.iterdir()}
    assert files == {"about.md", "case.yaml", "expected.json", "given.yaml", "observations.ndjson"}
    assert "Made-up values, not for care." in (folder / "about.md").read_text()
