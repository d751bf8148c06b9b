"""How long `--help` takes, over the floor: an interpreter that imports click and nothing else.

Whole processes in turn, A B A B ..., so that a machine that grows slower slows both. Prints the median ratio.
"""

import argparse
import statistics
import subprocess
import sys
import time

OURS = [sys.executable, "-m", "careplan_bridge", "--help"]
FLOOR = [sys.executable, "-c", "import click"]


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=15)
    runs = parser.parse_args().runs
    pairs = [(seconds(OURS), seconds(FLOOR)) for _ in range(runs + 1)][1:]
    ratios = sorted(ours / floor for ours, floor in pairs)
    print(
        f"--help over `python -c 'import click'`: {statistics.median(ratios):.2f} (of {runs} pairs, {ratios[0]:.2f} to {ratios[-1]:.2f})"
    )


if __name__ == "__main__":
    main()
