"""What reading costs over msgspec's typed decode alone, in one run: ratios, since machines differ.

    python bench/reading.py --count 100000 [--shapes 400] [--versions]

Prints the ratio of decoding and reading to decoding alone, for the quick way and (on a part of the feed) for the careful way,
the number of shapes, and the peak memory of reading over that of holding the lines. What judging adds stands in `judging.py`.
"""

import argparse
import itertools
import random
import resource
import statistics
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import msgspec

from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.entry import DECODER
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.conventions import Clinic, Conventions, LocalCode
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.reading import Readings

BASE = "https://example.org/alder-quay"
SITE = Conventions(
    clinic=Clinic(
        base=BASE, name="Alder Quay Rehabilitation", contact="made-up telephone text", timezone="Europe/Berlin"
    ),
    extension_sign="deficit-positive",
    codes=(LocalCode(system=BASE, code="KFA", measure="knee_flexion", qualifiers={"movement": "active"}),),
)
START = datetime(2026, 1, 5, 8, tzinfo=UTC)
CAREFUL_SHARE = 20  # the careful way reads every so many-th line

Json = dict[str, object]


def main() -> int:
    asked = _arguments()
    lines = list(feed(asked.count, asked.shapes, versions=asked.versions))
    held = peak_memory()
    decoding = _best(lambda: [DECODER.decode(line) for line in lines])
    reader = Reader(catalogue(), SITE)
    reading, readings = _timed(lambda: read_lines(lines, reader))
    peak = peak_memory()
    entries = _best(lambda: [reader.read_entry(line) for line in lines])
    some = lines[::CAREFUL_SHARE]
    careful = Reader(catalogue(), SITE, cached=False)
    slow = _best(lambda: [careful.read_entry(line) for line in some]) * len(lines) / len(some)
    print(f"observations            {len(lines)}, {sum(map(len, lines)) // len(lines)} bytes each")
    print(f"shapes                  {len(shapes(asked.shapes))}")
    print(f"readings, unusable      {len(readings.readings)}, {len(readings.unusable)}")
    print(f"typed decode alone      {_micro(decoding, lines)} us each on this machine")
    print(f"reading / decode        {entries / decoding:.2f}")
    print(f"reading, newest, sorted {reading / decoding:.2f}")
    print(f"careful way / decode    {slow / decoding:.1f}")
    print(f"peak memory / lines     {peak / held:.2f} ({peak // 1024} MiB)")
    return 0


def feed(count: int, wanted: int, *, versions: bool) -> Iterator[bytes]:
    """Observations of many people, each of a random one of the shapes; the same ones on every run."""
    chance = random.Random(7)
    kinds = shapes(wanted)
    for number in range(count):
        kind = chance.choice(kinds)
        person = chance.randrange(max(count // 80, 1))
        at = START + timedelta(days=chance.randrange(200), minutes=chance.randrange(600))
        yield msgspec.json.encode(observation(number, person, at, kind, chance, versions=versions))


def grouped(count: int, wanted: int, per_person: int) -> Iterator[bytes]:
    """The same with the entries of one person behind each other, made one by one."""
    chance = random.Random(7)
    kinds = shapes(wanted)
    for number in range(count):
        at = START + timedelta(days=chance.randrange(200), minutes=chance.randrange(600))
        observed = observation(number, number // per_person, at, chance.choice(kinds), chance, versions=True)
        yield msgspec.json.encode(observed)


def shapes(wanted: int) -> list[Json]:
    """Combinations of measure, side, movement, status and unit that a clinic could send; as many as wanted."""
    found = itertools.islice(_shapes(), wanted)
    return list(found)


def _shapes() -> Iterator[Json]:
    statuses = ("final", "amended", "corrected", "preliminary")
    for status, (code, unit, low, high) in itertools.product(statuses, _published()):
        yield {"status": status, "code": _concept(names.LOINC, code), "unit": unit, "range": (low, high), "more": {}}
    for status, measure, side in itertools.product(statuses, catalogue().measures.values(), ("left", "right")):
        if measure.unit is not None and measure.plausible:
            yield {
                "status": status,
                "code": _concept(BASE + names.MEASURE_CODE_SYSTEM, measure.id),
                "unit": measure.unit,
                "range": (int(measure.plausible[-1].low), int(measure.plausible[-1].high)),
                "more": _named(measure, side),
            }


def _published() -> Iterator[tuple[str, str, int, int]]:
    yield from (
        ("41343-5", "deg", 60, 140),
        ("41347-6", "deg", 60, 140),
        ("41345-0", "deg", 0, 15),
        ("41349-2", "deg", 0, 15),
    )
    yield from (("72514-3", "{score}", 0, 10), ("64098-7", "m", 100, 700), ("64098-7", "[ft_i]", 300, 2000))


def _named(measure: Measure, side: str) -> Json:
    """Side by bodySite where the joint has a code, qualifiers by our extension."""
    given = {one.name: one.values[0] if one.values else "as usual" for one in measure.qualifiers if one.required}
    if measure.side in ("required", "optional") and measure.joint != "knee":
        given["side"] = side
    site = {"left": "82169009", "right": "6757004"}[side]
    more: Json = {"extension": [_qualifier(name, value) for name, value in given.items()]} if given else {}
    return {**more, "bodySite": _concept(names.SNOMED, site)} if measure.joint == "knee" else more


def _qualifier(name: str, value: str) -> Json:
    parts = [{"url": names.QUALIFIER_NAME, "valueString": name}, {"url": names.QUALIFIER_VALUE, "valueString": value}]
    return {"url": names.MEASURE_QUALIFIER_EXTENSION, "extension": parts}


def _concept(system: str, code: str) -> Json:
    return {"coding": [{"system": system, "code": code, "display": "as the sender shows it"}]}


def observation(number: int, person: int, at: datetime, kind: Json, chance: random.Random, *, versions: bool) -> Json:
    low, high = kind["range"]  # pyright: ignore[reportGeneralTypeIssues,reportUnknownVariableType]
    return {
        "resourceType": "Observation",
        "id": f"o{number}",
        "meta": {"versionId": "1", "lastUpdated": at.isoformat()} if versions else {"lastUpdated": at.isoformat()},
        "status": kind["status"],
        "code": kind["code"],
        **kind["more"],  # pyright: ignore[reportGeneralTypeIssues]
        "subject": {"reference": f"Patient/p{person}"},
        "encounter": {"reference": f"Encounter/e{number // 6}"},
        "effectiveDateTime": at.isoformat(),
        "performer": [{"reference": f"Practitioner/t{person % 12}"}],
        "valueQuantity": {
            "value": chance.randint(low, high),  # pyright: ignore[reportUnknownArgumentType]
            "unit": kind["unit"],
            "system": names.UCUM,
            "code": kind["unit"],
        },
    }


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--shapes", type=int, default=400)
    parser.add_argument(
        "--versions", action="store_true", help="entries carry the server's version, so no content digest is needed"
    )
    return parser.parse_args()


def _timed(work: Callable[[], Readings]) -> tuple[float, Readings]:
    started = time.process_time()
    result = work()
    return time.process_time() - started, result


def _best(work: Callable[[], object], times: int = 3) -> float:
    """The median of a few runs."""
    taken: list[float] = []
    for _ in range(times):
        started = time.process_time()
        work()
        taken.append(time.process_time() - started)
    return statistics.median(taken)


def peak_memory() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _micro(seconds: float, lines: list[bytes]) -> str:
    return f"{seconds * 1e6 / len(lines):.1f}"


if __name__ == "__main__":
    raise SystemExit(main())
