"""The catalogue as shipped: complete, consistent in itself, and honest about what was checked."""

import pytest

from careplan_bridge.errors import FileRefused
from careplan_bridge.files.shipped import folder
from careplan_bridge.measures.catalogue import load
from careplan_bridge.model.fhir_names import LOINC, SNOMED
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.scale import known


def _files() -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder("mappings").iterdir() if file.name.endswith(".yaml")}


def test_measures_and_codes_are_all_there(catalogue: Catalogue):
    assert len(catalogue.measures) == 67
    assert sum(code.system == LOINC for code in catalogue.codes) == 34
    assert sum(code.system == SNOMED for code in catalogue.codes) == 6
    assert len(catalogue.arcs) == 5


def test_no_code_claims_to_have_been_checked(catalogue: Catalogue):
    coded = (*catalogue.codes, *catalogue.panels, *catalogue.fallback_panels, *catalogue.sites, *catalogue.laterality)
    assert not any(entry.verified for entry in (*coded, *catalogue.methods))
    assert {entry.seen for entry in coded} == {"once", "twice"}


def test_every_source_key_is_resolved(catalogue: Catalogue):
    named = {key for measure in catalogue.measures.values() for key in measure.src}
    named |= {figure.src for measure in catalogue.measures.values() for figure in measure.errors}
    named |= {key for arc in catalogue.arcs.values() for key in arc.src}
    assert named == set(catalogue.sources)


def test_a_measure_is_an_ordinal_or_has_a_unit(catalogue: Catalogue):
    for measure in catalogue.measures.values():
        assert (measure.unit is None) == bool(measure.levels)
        assert measure.bare_unit in (None, measure.unit or "level")
        for low, high in ((one.low, one.high) for one in measure.plausible):
            assert low < high


def test_pairs_without_order_name_levels(catalogue: Catalogue):
    for measure in catalogue.measures.values():
        for pair in measure.undecided:
            assert set(pair) <= set(measure.levels)
        for level in measure.levels:
            assert known(measure, level) or measure.level_number is not None


def test_arcs_name_measures(catalogue: Catalogue):
    for arc in catalogue.arcs.values():
        for end in arc.ends:
            assert {end.past_neutral, end.short_of_neutral} - {None} <= set(catalogue.measures)


def test_the_order_of_the_files_does_not_matter(catalogue: Catalogue):
    files = _files()
    assert load(dict(reversed(files.items()))) == load(files) == catalogue


def test_another_fact_is_another_digest(catalogue: Catalogue):
    files = _files()
    files["knee.yaml"] = files["knee.yaml"].replace(b"plausible: [0, 170]", b"plausible: [0, 171]", 1)
    assert load(files).digest != catalogue.digest


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("broken.yaml", b"measures: ["),
        ("unknown-section.yaml", b"measurements: []"),
        ("unknown-key.yaml", b"arcs:\n- {id: a, term: b, ends: [], two_number: true, triple_order: true, extra: 1}"),
        ("unknown-measure.yaml", b'system: s\ncodes:\n- {code: "1", measure: elsewhere, reads_as: value}'),
        ("unknown-qualifier.yaml", b'system: s\ncodes:\n- {code: "1", measure: tug, reads_as: needs, needs: [muscle]}'),
        ("no-system.yaml", b'codes:\n- {code: "1", measure: tug, reads_as: sometimes}'),
        ("binary.yaml", b"\xff\xfe\x00"),
    ],
)
def test_a_file_that_is_not_as_it_should_be_is_refused(name: str, content: bytes):
    with pytest.raises(FileRefused):
        load({**_files(), name: content})
