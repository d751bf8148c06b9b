"""What a protocol file comes to mean."""

from decimal import Decimal

import pytest

from careplan_bridge.errors import FileRefused
from careplan_bridge.files.shipped import catalogue
from careplan_bridge.model.criterion import (
    Alternative,
    AtLeastOf,
    Change,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.protocol import Window
from careplan_bridge.model.value import Bounds, Threshold
from careplan_bridge.protocol.protocol_file import read_protocol

HEAD = """
protocol: small
version: 1.0.0
url: https://example.org/protocol/small
title: Small
laterality: unilateral
signatures: { advance: [therapist], discharge: [therapist, surgeon] }
red flags: [{ id: calf, ask: Calf pain?, act: Call }]
stages:
  - id: only
    title: Only
    window: { from: day 3, before: week 4, earliest advance: week 2 }
    criteria: [{ id: time, since surgery: 2 weeks }]
discharge:
  criteria:
    - %s
"""


def _criterion(written: str) -> Criterion:
    found = read_protocol((HEAD % written).encode(), "small.yaml", catalogue())
    return found.stages[-1].criteria[0]


def _number(text: str) -> Threshold:
    return Threshold(number=Decimal(text))


def _flexion(**bounds: Threshold | bool) -> WithinBounds:
    about = Measured(measure="knee_flexion", qualifiers={"movement": "active"})
    return WithinBounds(measured=about, bounds=Bounds(**bounds))  # pyright: ignore[reportArgumentType]


HOP = Measured(measure="hop_single_distance")
PAIN = Measured(measure="pain_nprs")
FLEXION = "measure: knee_flexion, movement: active"
MEANINGS: list[tuple[str, Condition]] = [
    (f"{FLEXION}, at least: 90 deg", _flexion(low=_number("90"))),
    (f"{FLEXION}, at most: 90.50 °", _flexion(high=_number("90.50"))),
    (f"{FLEXION}, above: 90 deg", _flexion(low=_number("90"), low_included=False)),
    (
        f"{FLEXION}, below: 90 deg, at least: 10 deg",
        _flexion(low=_number("10"), high=_number("90"), high_included=False),
    ),
    (f"{FLEXION}, between: [80 deg, 90 degrees]", _flexion(low=_number("80"), high=_number("90"))),
    ("measure: hop_single_distance, at least: 0.9 m", WithinBounds(measured=HOP, bounds=Bounds(low=_number("90")))),
    (
        "measure: hop_single_distance, limb symmetry index at least: 90 %",
        OtherSide(measured=HOP, index=Bounds(low=_number("90"))),
    ),
    (
        "measure: hop_single_distance, limb symmetry index between: [90 %, 110%]",
        OtherSide(measured=HOP, index=Bounds(low=_number("90"), high=_number("110"))),
    ),
    (
        "measure: hop_single_distance, side difference at most: 10 cm",
        OtherSide(measured=HOP, difference=Bounds(high=_number("10"))),
    ),
    (
        "measure: pain_nprs, change since baseline at most: -2 points",
        Change(measured=PAIN, bounds=Bounds(high=_number("-2"))),
    ),
    (
        "measure: pain_nprs, at most: 3 points, visits in a row: 2",
        WithinBounds(measured=PAIN, bounds=Bounds(high=_number("3")), visits_in_a_row=2),
    ),
    (
        "measure: knee_effusion_stroke, at most: 1+",
        WithinBounds(measured=Measured(measure="knee_effusion_stroke"), bounds=Bounds(high=Threshold(level="1+"))),
    ),
    (
        "measure: weight_bearing_status, basis: observed, at least: PWB 50%",
        WithinBounds(
            measured=Measured(measure="weight_bearing_status", qualifiers={"basis": "observed"}),
            bounds=Bounds(low=Threshold(level="PWB 50%")),
        ),
    ),
    (
        "measure: walking_aid, exactly: none",
        WithinBounds(
            measured=Measured(measure="walking_aid", side=None),
            bounds=Bounds(low=Threshold(level="none"), high=Threshold(level="none")),
        ),
    ),
    ("finding: Walks, expected: absent", FindingIs(finding="x", text="Walks", expected="absent")),
    (
        "n: 1, at least n of: [{ id: w, finding: Walks }, { since surgery: 3 weeks }]",
        AtLeastOf(count=1, conditions=(FindingIs(finding="w", text="Walks"), TimeSince(at_least=21))),
    ),
    (
        (
            "first done of: [{ measure: isokinetic_peak_torque, muscle: knee extensors, speed: 60.0 deg/s, at least: 100 N.m, "
            "not before: week 6, needs: dynamometer }, { measure: pain_nprs, at most: 3 points }]"
        ),
        FirstDoneOf(
            alternatives=(
                Alternative(
                    condition=WithinBounds(
                        measured=Measured(
                            measure="isokinetic_peak_torque",
                            qualifiers={"muscle": "knee extensors", "speed": "60 deg/s"},
                        ),
                        bounds=Bounds(low=_number("100")),
                    ),
                    not_before=42,
                    needs="dynamometer",
                ),
                Alternative(condition=WithinBounds(measured=PAIN, bounds=Bounds(high=_number("3")))),
            )
        ),
    ),
]


@pytest.mark.parametrize(("written", "meant"), MEANINGS)
def test_a_condition_means_what_it_says(written: str, meant: Condition) -> None:
    found = _criterion(f"{{ id: x, {written}, no older than: 10 days }}")
    assert found.condition == meant
    assert found.no_older_than == 10


@pytest.mark.parametrize(
    ("written", "says"),
    [
        (f"{FLEXION}, at least: 90 deg", "Knee flexion (active, involved side) is at least 90 deg"),
        (f"{FLEXION}, side: uninvolved, above: 90 deg", "Knee flexion (active, uninvolved side) is above 90 deg"),
        ("measure: chair_stand_30s, at least: 1 repetition", "30-second chair stand is at least 1 repetition"),
        ("measure: chair_stand_30s, at least: 9 repetitions", "30-second chair stand is at least 9 repetitions"),
        ("finding: Walks, expected: absent", "Not found: Walks"),
        ("finding: Walks, says: As I like it", "As I like it"),
        (
            "any of: [{ id: w, finding: Walks }, { since surgery: 3 weeks }]",
            "Any of: Walks; at least 3 weeks since surgery",
        ),
        ("measure: walking_aid, exactly: none", "Walking aid in use is none"),
    ],
)
def test_a_criterion_says_what_it_means(written: str, says: str) -> None:
    assert _criterion(f"{{ id: x, {written}, no older than: 10 days }}").says == says


def test_days_count_from_surgery_and_weeks_begin_on_their_seventh() -> None:
    found = read_protocol((HEAD % "{ id: t, since surgery: 6 weeks }").encode(), "small.yaml", catalogue())
    assert found.stages[0].window == Window(from_day=3, before_day=28, earliest_advance=14)
    assert found.stages[1].window == Window(from_day=28)


def test_the_digest_is_of_the_meaning_and_not_of_the_bytes() -> None:
    first = (HEAD % "{ id: t, since surgery: 6 weeks }").encode()
    same = (HEAD % "{since surgery: 42 days, id: t}").encode().replace(b"\n", b"\r\n") + b"\n# a comment\n"
    other = first.replace(b"6 weeks", b"7 weeks")
    digests = [read_protocol(data, "small.yaml", catalogue()).digest for data in (first, same, other)]
    assert digests[0] == digests[1] != digests[2]


@pytest.mark.parametrize(
    "written", ["1 rad", "90 N", "90 %", "90", "deg", "90deg deg", "1/2 deg", "NaN deg", "1e2 deg"]
)
def test_what_is_no_angle_is_refused(written: str) -> None:
    with pytest.raises(FileRefused, match=r"small\.yaml:16:"):
        _criterion(f"{{ id: x, {FLEXION}, at least: {written}, no older than: 10 days }}")
