"""What the same criteria over the same Observations cost in other people's engines, over what they cost here.

    python bench/engines.py [--people 150]

Made-up people with eighty entries each: those of a record of `tests/oracles`, the rest mostly of measures that nobody asks for.
The whole job is a stage of six criteria, one of each usual kind, exported as `tests/oracles` does for npm `fhirpath` and
`cql-execution`. The plain job is six thresholds, each on the newest value of one code, in expressions that PyPI `fhirpathpy` can
evaluate too; it knows no variables, so nothing more.

Starting, compiling and what is learnt once are left out on all sides: an engine works through a third of the people and through
all of them, and the difference counts; we go through all of them and then ten times more, and these count. Beside each ratio
stands how many answers are those that we give. Needs what `tests/oracles` needs, and `fhirpathpy`.
"""

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from functools import partial
from importlib import import_module
from itertools import islice
from pathlib import Path
from random import Random
from typing import Any

import msgspec
from msgspec.structs import replace

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
import reading

from careplan_bridge.bridge.export import verdicts_of_export
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Criterion, Measured, WithinBounds
from careplan_bridge.model.plan import Plan
from tests.criteria.build import at_least
from tests.oracles import engines, fhirpath_export
from tests.oracles.cases import asked
from tests.oracles.clinics import SETTINGS
from tests.oracles.observations import KINDS, Observation, bundle, quantity, records

People = Sequence[list[Observation]]
Answers = list[list[bool | None]]
Way = Callable[[People], tuple[float, Answers]]

SETTING = SETTINGS[0]
ENTRIES = 80
ANSWER = {Verdict.MET: True, Verdict.NOT_MET: False, Verdict.CANNOT_TELL: None}
KINDS_OF_STAGE = ("threshold", "limb-symmetry-index", "change-since-baseline", "visits-in-a-row", "finding", "time")
STAGE = tuple(one for one in asked() if one.id in {f"{kind}-1" for kind in KINDS_OF_STAGE})
SCORES = {"acl_rsi": 45, "dash": 40, "quickdash": 40, "lefs": 50, "tsk11": 30, "chair_stand_30s": 15}
THRESHOLDS = tuple(
    Criterion(
        id=measure,
        says=measure,
        condition=WithinBounds(measured=Measured(measure=measure, side=None, qualifiers={}), bounds=at_least(number)),
    )
    for measure, number in SCORES.items()
)
# The newest is found by comparing each with the newest so far.
PLAIN = {
    measure: f"Bundle.entry.resource.where(resourceType = 'Observation' and code.coding.code = '{measure}')"
    ".aggregate(iif($total.empty(), $this, iif($this.effectiveDateTime > $total.effectiveDateTime, $this, $total)))"
    f".valueQuantity.value >= {number}"
    for measure, number in SCORES.items()
}


def main() -> None:
    people = [_person(record, Random(place)) for place, record in enumerate(records(SETTING, _arguments().people))]
    print(f"whole job: {len(STAGE)} criteria, {len(people)} people with {ENTRIES} entries")
    compare(people, partial(here, STAGE), {"fhirpath.js": fhirpath_js, "cql-execution": cql})
    print("plain job: six thresholds, the same people")
    compare(people, partial(here, THRESHOLDS), {"fhirpath.js": plain_fhirpath_js, "fhirpathpy": fhirpathpy})


def compare(people: People, ours: Way, others: dict[str, Way]) -> None:
    here, expected = ours(people)
    print(f"  here           {here * 1e6:.0f} us a person on this machine")
    for name, way in others.items():
        theirs, answers = cost(way, people)
        pairs = zip([one for row in expected for one in row], [one for row in answers for one in row], strict=True)
        same = [mine is other for mine, other in pairs]
        print(f"  {name:14} {theirs / here:.0f} times as long; {sum(same)} of {len(same)} answers are ours")


def cost(way: Way, people: People) -> tuple[float, Answers]:
    """Seconds a person without what happens once, and all answers."""
    some = len(people) // 3
    few = min(way(people[:some])[0] for _ in range(2))
    several = [way(people) for _ in range(2)]
    return (min(seconds for seconds, _ in several) - few) / (len(people) - some), several[0][1]


def here(criteria: tuple[Criterion, ...], people: People) -> tuple[float, Answers]:
    """Seconds a person from NDJSON in a file to verdicts, as a run over an export comes to them."""
    plan_of = partial(_plan_of, SETTING.asking(criteria))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "observations.ndjson"
        path.write_bytes(b"".join(_line(one, place) for place, several in enumerate([*people] * 11) for one in several))
        found = verdicts_of_export(path, plan_of, SETTING.conventions, SETTING.at)
        answers = [[ANSWER[verdict] for verdict in one.verdicts.values()] for one in islice(found, len(people))]
        begun = time.perf_counter()
        again = sum(1 for _ in found)
        return (time.perf_counter() - begun) / again, answers


def fhirpath_js(people: People) -> tuple[float, Answers]:
    expressions = {one.id: fhirpath_export.expression(one, SETTING) for one in STAGE}
    return _in_node(
        "fhirpath.mjs", {"calendar": fhirpath_export.calendar(SETTING), "expressions": expressions}, STAGE, people
    )


def plain_fhirpath_js(people: People) -> tuple[float, Answers]:
    return _in_node("fhirpath.mjs", {"calendar": {}, "expressions": PLAIN}, THRESHOLDS, people)


def cql(people: People) -> tuple[float, Answers]:
    with tempfile.TemporaryDirectory() as folder:
        elm = engines.translated(Path(folder), [SETTING], STAGE)[SETTING.name]
        return _in_node("cql.mjs", {"elm": str(elm)}, STAGE, people)


def fhirpathpy(people: People) -> tuple[float, Answers]:
    engine: Any = import_module("fhirpathpy")  # it has no types
    r4 = import_module("fhirpathpy.models").models["r4"]
    expressions = [engine.compile(one, r4) for one in PLAIN.values()]
    texts = [json.dumps(bundle(entries, SETTING)) for entries in people]
    begun = time.perf_counter()
    found: list[list[list[bool]]] = [
        [expression(resource, {}) for expression in expressions] for resource in map(json.loads, texts)
    ]
    return time.perf_counter() - begun, [[answer[0] if answer else None for answer in row] for row in found]


def _in_node(script: str, setting: object, criteria: Sequence[Criterion], people: People) -> tuple[float, Answers]:
    """Seconds of the whole process: what it does once falls out where two runs are compared."""
    ask = [one.id for one in criteria]
    asked_for = [{"setting": SETTING.name, "bundle": bundle(entries, SETTING), "ask": ask} for entries in people]
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        job = {"settings": {SETTING.name: setting}, "records": asked_for}
        with engines.running(script, Path(folder), job) as process:
            answers = process.answers()
        return time.perf_counter() - begun, answers


def _person(record: list[Observation], chance: Random) -> list[Observation]:
    """The record among what nobody asks for, and some scores of confidence at different times."""
    begins = datetime.combine(SETTING.plan.day_zero, datetime.min.time(), tzinfo=SETTING.zone) + timedelta(days=2)
    moments = chance.sample([begins + timedelta(hours=2 * place) for place in range(120)], ENTRIES - len(record))
    others = [_score(chance, at) for at in moments[:12]] + [_unasked(chance, at) for at in moments[12:]]
    several = [*record, *others]
    chance.shuffle(several)
    return [{**one, "id": f"e{number}", "meta": {"versionId": "1"}} for number, one in enumerate(several)]


_UNASKED = [
    kind
    for kind in reading.shapes(400)
    if kind["status"] == "final" and not any(name in repr(kind) for name in (*SCORES, *(one.measure for one in KINDS)))
]


def _unasked(chance: Random, at: datetime) -> Observation:
    kind = chance.choice(_UNASKED)
    return {
        **reading.observation(0, 0, at, kind, chance, versions=True),
        "subject": {"reference": SETTING.plan.patient},
    }


def _score(chance: Random, at: datetime) -> Observation:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": reading.BASE + names.MEASURE_CODE_SYSTEM, "code": chance.choice(list(SCORES))}]},
        "subject": {"reference": SETTING.plan.patient},
        "effectiveDateTime": at.isoformat(),
        **quantity(chance.randint(20, 40), "1"),
    }


def _line(observed: Observation, place: int) -> bytes:
    return msgspec.json.encode({**observed, "subject": {"reference": f"Patient/{place}"}}) + b"\n"


def _plan_of(plan: Plan, reference: str) -> Plan:
    return replace(plan, id=reference, patient=reference)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=150)
    return parser.parse_args()


if __name__ == "__main__":
    main()
