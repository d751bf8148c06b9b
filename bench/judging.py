"""What reading and judging cost over msgspec's typed decode of the same lines, in one run.

    python bench/judging.py [--count 100000] [--shapes 400]

The feed is partitioned by person; each person has the ACL demo plan and is read and judged once, whole check with its digest and
its next moment of change. Prints ratios, and peak memory over that of holding the lines.
"""

import argparse
import itertools
import sys
import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).parent))
import reading

from careplan_bridge.criteria.check import check
from careplan_bridge.files import shipped
from careplan_bridge.measures.conventions_file import read_conventions
from careplan_bridge.measures.entry import DECODER
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.plan import Plan
from careplan_bridge.planning.draft import draft
from careplan_bridge.protocol.case_file import read_case
from careplan_bridge.protocol.protocol_file import read_protocol

AT = datetime(2026, 7, 1, 12, tzinfo=UTC)
Lines = list[bytes]


class _Person(msgspec.Struct):
    reference: str


class _About(msgspec.Struct):
    subject: _Person


def the_plan() -> Plan:
    """The ACL demo plan; its patient does not matter here."""
    site = read_conventions(shipped.read("fixtures", "conventions.toml"), "conventions.toml", shipped.catalogue())
    protocol = read_protocol(
        shipped.read("fixtures", "protocols/acl-reconstruction.yaml"), "protocol", shipped.catalogue()
    )
    case = read_case(shipped.read("fixtures", "cases/acl-quay-01.yaml"), "case")
    return draft(protocol, case, shipped.catalogue(), site)


def by_person(lines: Iterable[bytes]) -> list[Lines]:
    about = msgspec.json.Decoder(_About)
    known = sorted((about.decode(line).subject.reference, number, line) for number, line in enumerate(lines))
    return [[line for _, _, line in group] for _, group in itertools.groupby(known, key=lambda one: one[0])]


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def main() -> None:
    asked = _arguments()
    people = by_person(reading.feed(asked.count, asked.shapes, versions=True))
    held = reading.peak_memory()
    plan, reader = the_plan(), Reader(shipped.catalogue(), reading.SITE)
    read_all = [read_lines(lines, reader) for lines in people[:1]]  # the shapes of one person; imports are done
    check(plan, read_all[0], AT, complete=True)
    decoding = seconds(lambda: [DECODER.decode(line) for lines in people for line in lines])
    both = seconds(lambda: [check(plan, read_lines(lines, reader), AT, complete=True) for lines in people])
    peak = reading.peak_memory()
    only_reading = seconds(lambda: [read_lines(lines, reader) for lines in people])
    print(f"observations, people       {sum(map(len, people))}, {len(people)}")
    print(f"decode alone               {decoding * 1e6 / asked.count:.1f} us each on this machine")
    print(f"reading / decode           {only_reading / decoding:.2f}")
    print(f"reading + judging / decode {both / decoding:.2f}")
    print(f"judging one person         {Decimal((both - only_reading) * 1e3 / len(people)):.1f} ms on this machine")
    print(f"peak memory / lines        {peak / held:.2f} ({peak // 1024} MiB)")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--shapes", type=int, default=400)
    return parser.parse_args()


if __name__ == "__main__":
    main()
