"""A fresh sample of the points at which a command may die; `python -m tests.faults.kill_driver` tries all of them."""

import random

import pytest

from tests.faults.kill_driver import RUNGS, RUNS, Point, driver, sample

SIZE = 100


def test_wherever_a_command_dies_the_next_one_brings_it_to_the_same_end(capsys: pytest.CaptureFixture[str]) -> None:
    seed = random.SystemRandom().randrange(10**6)
    with driver(small=True) as kills:
        points = kills.points()
        chosen = sample(points, SIZE, seed)
        other = [f"{kills.says(point)}: {why}" for point in chosen if (why := kills.differs(point))]
    with capsys.disabled():
        print(f" {len(chosen)} of {len(points)} points, seed {seed}", end=" ")
    assert other == [], f"python -m tests.faults.kill_driver --sample {SIZE} --seed {seed} tries the same points"
    assert len(points) >= 500


def test_a_sample_has_points_of_every_command_and_the_same_seed_draws_the_same() -> None:
    points = [Point(run, nth) for run in RUNS for nth in range(1, 30)]
    drawn = sample(points, 50, 7)
    assert len(set(drawn)) == 50
    assert {point.run.command for point in drawn} == {"push", "sign", "sync", "pull", "respond"}
    assert {point.run.rung for point in drawn} == set(RUNGS)
    assert drawn == sample(points, 50, 7)
