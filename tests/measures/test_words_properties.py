"""Laws of values in words: nothing raises, and nothing comes out that the text does not hold.

The check of support knows nothing of the grammar. It looks at the text alone: which numbers stand in it, which words, and by which
exact factors a unit may have changed a number.
"""

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.files.shipped import catalogue as shipped
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.conventions import Conventions, LocalCode
from careplan_bridge.model.reading import Reading
from careplan_bridge.model.value import Amount, Grade

CATALOGUE = shipped()
SYSTEM = "https://example.org/alder-quay"
CODES = (
    LocalCode(system=SYSTEM, code="flexion", measure="knee_flexion"),
    LocalCode(system=SYSTEM, code="arc", arc="knee_arc"),
    LocalCode(system=SYSTEM, code="rotation", arc="shoulder_rotation_arc", qualifiers={"position": "arm at side"}),
    LocalCode(system=SYSTEM, code="girth", measure="girth", qualifiers={"landmark": "calf"}),
    LocalCode(system=SYSTEM, code="hop", measure="hop_single_distance"),
    LocalCode(system=SYSTEM, code="pain", measure="pain_nprs"),
    LocalCode(system=SYSTEM, code="grade", measure="mmt_grade", qualifiers={"muscle": "knee extensors"}),
    LocalCode(system=SYSTEM, code="lag", measure="knee_extensor_lag"),
    LocalCode(system=SYSTEM, code="load", measure="weight_bearing_status", qualifiers={"basis": "ordered"}),
)
SITES = (
    Conventions(codes=CODES),
    Conventions(codes=CODES, arc="two-number", extension_sign="deficit-positive"),
    Conventions(codes=CODES, arc="neutral-zero", extension_sign="deficit-negative"),
    Conventions(codes=CODES, arc="neutral-zero", triple_order="flexion-first", decimal=","),
)
READERS = tuple(Reader(CATALOGUE, site) for site in SITES)
NAMES = tuple(code.code for code in CODES)

SIDES = {"left": ("left", "L", "lt"), "right": ("right", "R", "rt")}
MOVEMENTS = {
    "active": ("active", "AROM"),
    "passive": ("passive", "PROM"),
    "active-assisted": ("AAROM", "active-assisted", "active assisted"),
}
LETTERS = {"active": ("A",), "passive": ("P",), "active-assisted": ()}  # only ever a pair
FACTORS = {"cm": "1", "mm": "0.1", "m": "100", "in": "2.54", "inches": "2.54"}  # into centimetres
FOREIGN = ("about", "not", "was", "denies", "limited", "except", "goal", "target", "never", "last", "usually")
PIECES = (
    *(said for words in (*SIDES.values(), *MOVEMENTS.values()) for said in words),
    *FACTORS, "deg", "°", "flex", "ext", "lacks", "hyperextension", "knee", "ER/IR", "ext/flex", "pain", "worst", "at rest", "girth",
    "single hop", "MMT", "visual", "painful", "no lag", "on SLR", "WBAT", "PWB 50%", "trace",
    "4- to 4", "10 cm above patella", "thigh", "at the joint line", "rad", "A", "P", "A 95 P 110",
    "0", "5", "10", "4+", "5-", "95", "110", "130", "145", "12,5", "15.5", "0-130", "5-0-130", "2-7/10", "6/10", "-5", "+5",
    "<", ">=", "-", "to", "/", "+", ",", ";", ":", "(", ")", "and", ".",
)  # fmt: skip
TEXTS = st.lists(st.sampled_from(PIECES), min_size=1, max_size=7).map(" ".join)


def observation(code: str, said: str) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": "o",
        "status": "final",
        "code": {"coding": [{"system": SYSTEM, "code": code}]},
        "effectiveDateTime": "2026-03-23T10:15:00+01:00",
        "valueString": said,
    }


def readings(reader: Reader, code: str, said: str) -> list[Reading]:
    return [one for one in reader.read(observation(code, said)) if isinstance(one, Reading)]


def unsupported(reading: Reading, text: str) -> list[str]:
    """What the reading says and the text does not."""
    faults: list[str] = []
    if reading.side is not None and not _has(text, SIDES[reading.side]):
        faults.append(f"side {reading.side}")
    movement = reading.qualifiers.get("movement")
    if movement is not None and not _has(text, (*MOVEMENTS[movement], *LETTERS[movement])):
        faults.append(f"movement {movement}")
    if isinstance(reading.value, Amount):
        held = _held(text, reading.value.unit)
        faults += [
            f"number {end}"
            for end in (reading.value.low, reading.value.high)
            if end is not None and abs(end) not in held
        ]
        if reading.value.low != reading.value.high and not re.search(r"[-/<>]|to", text):
            faults.append("a span")
    level, landmark = (
        reading.value.low if isinstance(reading.value, Grade) else None,
        reading.qualifiers.get("landmark"),
    )
    if landmark not in (None, "calf") and landmark.split()[-1] not in text:
        faults.append(f"level {landmark}")
    if level is not None and level != reading.value.high and "to" not in text:
        faults.append("a span of levels")
    if level is not None and level.split("n%")[0].casefold() not in text.casefold():
        faults.append(f"level {level}")
    return faults


def _has(text: str, words: Sequence[str]) -> bool:
    return any(re.search(rf"(?<![A-Za-z]){re.escape(word)}(?![A-Za-z])", text, re.IGNORECASE) for word in words)


def _held(text: str, unit: str) -> set[Decimal]:
    numbers = {Decimal(one.replace(",", ".")) for one in re.findall(r"[0-9]+(?:[.,][0-9]+)?", text)}
    factors = {Decimal(1), *(Decimal(by) for by in FACTORS.values() if unit == "cm")}
    return {number * by for number in numbers for by in factors} | {Decimal(0) for _ in re.findall("no lag", text)}


@given(st.sampled_from(READERS), st.sampled_from(NAMES), TEXTS)
def test_no_reading_says_what_the_text_does_not(reader: Reader, code: str, said: str):
    for reading in readings(reader, code, said):
        assert unsupported(reading, said) == []


@given(st.sampled_from(READERS), st.sampled_from(NAMES), TEXTS, st.sampled_from(FOREIGN), st.integers(0, 7))
def test_one_word_that_is_not_known_leaves_nothing_to_read(
    reader: Reader, code: str, said: str, foreign: str, place: int
):
    """`limited`, `goal`, `not`: what such a word does to the value nobody here knows."""
    words = said.split(" ")
    assert readings(reader, code, " ".join([*words[:place], foreign, *words[place:]])) == []


@given(
    st.sampled_from(READERS),
    st.sampled_from(NAMES),
    st.text(max_size=40) | st.text("0123456789+-/.,<> degLRknflxt()", max_size=30),
)
def test_any_text_is_answered(reader: Reader, code: str, said: str):
    assert reader.read(observation(code, said))


@given(st.sampled_from(READERS), st.sampled_from(NAMES), TEXTS)
def test_no_number_is_passed_over(reader: Reader, code: str, said: str):
    """Where something is read, each number of the text is an end of a value, the scale's last, or part of a level."""
    found = reader.read(observation(code, said))
    if not all(isinstance(one, Reading) for one in found) or code in ("grade", "load"):
        return
    ends = {abs(end) for one in found if isinstance(one, Reading) and isinstance(one.value, Amount)
            for end in (one.value.low, one.value.high) if end is not None}  # fmt: skip
    for number in _held(re.sub(r"/\s*10\b|PWB 50%", "", said), ""):
        candidates = {number * Decimal(by) for by in FACTORS.values()} | {number}
        assert candidates & ends or number == 0, (number, ends)


ENTRIES = st.lists(
    st.tuples(st.sampled_from(sorted(SIDES)), st.sampled_from(sorted(MOVEMENTS)), st.integers(0, 160)),
    min_size=1, max_size=4, unique_by=lambda entry: entry[:2],
)  # fmt: skip


@given(ENTRIES, st.data())
def test_labels_in_front_come_back_with_their_values(entries: list[tuple[str, str, int]], data: st.DataObject):
    joined = data.draw(st.sampled_from([", ", "; ", " ", " and "]))
    said = joined.join(
        f"{data.draw(st.sampled_from(SIDES[side]))} {data.draw(st.sampled_from(MOVEMENTS[movement]))} {value}"
        for side, movement, value in entries
    )
    found = [(one.side, one.qualifiers["movement"], one.value.low) for one in readings(READERS[0], "flexion", said)]
    assert sorted(found, key=repr) == sorted(
        ((side, movement, Decimal(value)) for side, movement, value in entries), key=repr
    )
