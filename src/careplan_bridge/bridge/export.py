"""Verdicts for a whole caseload out of one export: what a nightly run asks first, before it checks and shows single plans.

An export is NDJSON of Observations about many people. One pass gives the
verdicts of every plan's current stage; the full check with its reasons, texts and digest is made with `criteria` for the plans
whose verdicts have changed.
"""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime
from functools import partial
from pathlib import Path

import msgspec

from careplan_bridge.criteria.verdicts import Question, Questions, verdicts
from careplan_bridge.errors import WrongUse
from careplan_bridge.files import export, observations, shipped
from careplan_bridge.measures.asked import Asked
from careplan_bridge.measures.people import Person, people
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.verdicts import StageVerdicts

PlanOf = Callable[[str], Plan | None]
_PIECE = 32 << 20  # bytes that one process takes at a time
_MOST = 1024  # questions whose codes and shapes are remembered


def verdicts_of_export(
    path: Path, plan_of: PlanOf, by: Conventions, at: datetime, *, complete: bool = True, processes: int = 1
) -> Iterator[StageVerdicts]:
    """The verdicts of every person's plan at a moment, as soon as each is known; equal to those of `criteria`.

    `path` is NDJSON grouped by person (`group_by_person` makes it so). `plan_of` gives the plan of a reference such as
    `Patient/1`, or None; it is asked once for each person, so nothing grows with their number. A person without any entry is
    not named here. Entries that name nobody belong to no plan. `complete`: are these all Observations there are?

    With several `processes`, each takes byte ranges of the file; where processes are not forked, `plan_of` has to be picklable.

    Raises:
        FileRefused: a line is no JSON.
        WrongUse: the entries of one person stand apart, so that no verdict would rest on all of them.
    """
    judge = partial(_Judge, path, plan_of, by, at, complete=complete)
    seen: set[int] = set()
    for found in _each(path, judge, processes):
        key = hash((found.plan, found.revision))
        if key in seen:
            raise WrongUse(
                f"{path}: the entries of one person stand apart from each other; group them by person first."
            )
        seen.add(key)
        yield found


def group_by_person(paths: Iterable[str], to: Path) -> None:
    """Observations in files and folders, in any order, written as one NDJSON file in which each person's stand together."""
    export.group_by_person(paths, to)


class _Judge:
    """One pass over pieces of a file; what it learns of codes, shapes and questions stays for the next piece."""

    def __init__(self, path: Path, plan_of: PlanOf, by: Conventions, at: datetime, *, complete: bool) -> None:
        self._path = path
        self._plan_of = plan_of
        self._at = at
        self._complete = complete
        self._reader = Reader(shipped.catalogue(), by)
        self._questions = Questions()
        self._asked: dict[Question, Asked] = {}

    def piece(self, start: int, end: int) -> Iterator[StageVerdicts]:
        try:
            for person in people(export.blocks(self._path, start, end)):
                plan = self._plan_of(person.reference) if person.reference else None
                if plan is not None:
                    yield self._verdicts(plan, person)
        except (msgspec.DecodeError, UnicodeDecodeError):
            self._say_where()

    def _verdicts(self, plan: Plan, person: Person) -> StageVerdicts:
        question = self._questions.of(plan)
        results = person.results(self._reader, self._asked_by(question))
        found = verdicts(plan, question, results, self._at, complete=self._complete)
        named = dict(zip(question.names, found, strict=True))
        return StageVerdicts(plan=plan.id, revision=plan.revision, stage=plan.current.id, verdicts=named)

    def _asked_by(self, question: Question) -> Asked:
        known = self._asked.get(question)
        if known is None:
            if len(self._asked) >= _MOST:
                self._asked.clear()
            known = self._asked[question] = self._reader.asked(question.measures, question.wants)
        return known

    def _say_where(self) -> None:
        """Reads once more, with the care that finds the line."""
        for _ in observations.raw_lines([str(self._path)]):
            pass


def _each(path: Path, judge: Callable[[], _Judge], processes: int) -> Iterator[StageVerdicts]:
    size = path.stat().st_size
    if processes == 1:
        yield from judge().piece(0, size)
        return
    pieces = export.ranges(path, max(processes, size // _PIECE))
    with ProcessPoolExecutor(processes, initializer=_begin, initargs=(judge,)) as pool:
        for encoded in pool.map(_encoded, pieces):
            yield from msgspec.msgpack.decode(encoded, type=list[StageVerdicts])


_here: list[_Judge] = []  # the one judge of a process that works on pieces


def _begin(judge: Callable[[], _Judge]) -> None:
    _here[:] = [judge()]


def _encoded(piece: tuple[int, int]) -> bytes:
    return msgspec.msgpack.encode(list(_here[0].piece(*piece)))
