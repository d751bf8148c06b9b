"""What it costs to come from an export to the verdicts of every plan in it, over msgspec's typed decode of the same lines alone.

    python bench/export.py [--count 100000] [--shapes 400] [--rounds 5] [--processes 2] [--memory]

The NDJSON file is grouped by person, eighty entries each; each person has the ACL demo plan, in one of its stages. Decoding and
judging take turns every hundred people, and their ratio is the median of all rounds; the wall times are the shortest.
`--memory` compares the peak at the count with that at a tenth of it, each in a process of its own.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Generator, Iterable
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from itertools import islice
from pathlib import Path
from statistics import median

from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).parent))
import judging
import reading

from careplan_bridge.bridge.export import verdicts_of_export
from careplan_bridge.measures.entry import DECODER
from careplan_bridge.model.course import Course, StageEntered
from careplan_bridge.model.plan import Plan

AT = datetime(2026, 7, 1, 12, tzinfo=UTC)
PER_PERSON = 80


def main() -> None:
    asked = _arguments()
    if asked.one is not None:
        _decode_all(asked.one) if asked.alone else judge(asked.one, 1, plans())
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
        return
    with written(asked.count, asked.shapes) as path:
        _speed(path, asked)
        if asked.memory:
            with written(asked.count // 10, asked.shapes) as small:
                print(f"peak memory at {asked.count} / at {asked.count // 10}: {_peak(path) / _peak(small):.2f}")
                print(
                    f"peak memory of decoding alone: {_peak(path, '--alone') // 1024} MiB, of judging: {_peak(path) // 1024} MiB"
                )


def _speed(path: Path, asked: argparse.Namespace) -> None:
    given = plans()
    turns = [in_turns(path, given) for _ in range(asked.rounds)]
    alone, several = (
        min(_seconds(partial(judge, path, count, given)) for _ in range(asked.rounds)) for count in (1, asked.processes)
    )
    floor = min(decoding for decoding, _ in turns)
    print(f"observations, file            {asked.count}, {path.stat().st_size // 2**20} MiB")
    print(f"decode alone                  {floor * 1e6 / asked.count:.1f} us each on this machine")
    print(f"verdicts / decode             {median(judging / decoding for decoding, judging in turns):.2f}")
    print(f"one process / {asked.processes} processes     {alone / several:.2f} (wall)")


def in_turns(path: Path, plans: list[Plan]) -> tuple[float, float]:
    """Seconds of decoding the file and of judging it, a hundred people at a time by turns: other work slows both alike."""
    found = verdicts_of_export(path, partial(plan_of, plans), reading.SITE, AT)
    decoding = judging = 0.0
    with path.open("rb") as file:
        while True:
            begun = time.process_time()
            judged = sum(1 for _ in islice(found, 100))
            between = time.process_time()
            decode(islice(file, 100 * PER_PERSON))
            decoding += time.process_time() - between
            judging += between - begun
            if not judged:
                return decoding, judging


def decode(lines: Iterable[bytes]) -> None:
    """The floor: every line into the struct of what reading needs, and nothing done with it."""
    decode_one = DECODER.decode
    for line in lines:
        decode_one(line)


def _decode_all(path: Path) -> None:
    with path.open("rb") as file:
        decode(file)


def judge(path: Path, processes: int, plans: list[Plan]) -> int:
    return sum(1 for _ in verdicts_of_export(path, partial(plan_of, plans), reading.SITE, AT, processes=processes))


def plans() -> list[Plan]:
    """The demo plan in each of its stages."""
    plan = judging.the_plan()
    return [
        replace(plan, course=Course(events=(StageEntered(at=AT, stage=stage.id, decision="made-up"),)))
        for stage in plan.stages
    ]


def plan_of(plans: list[Plan], reference: str) -> Plan:
    number = int(reference.rpartition("/p")[2])
    return replace(plans[number % len(plans)], id=f"plan-{number}", patient=reference)


@contextmanager
def written(count: int, shapes: int) -> Generator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "observations.ndjson"
        with path.open("wb") as file:
            for line in reading.grouped(count, shapes, PER_PERSON):
                file.write(line + b"\n")
        yield path


def _seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def _peak(path: Path, *more: str) -> int:
    command = [sys.executable, __file__, "--one", str(path), *more]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--shapes", type=int, default=400)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--memory", action="store_true")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--alone", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


if __name__ == "__main__":
    main()
