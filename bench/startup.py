"""How long commands take, over their floor: an interpreter that imports the libraries they cannot do without, and nothing else.

Whole processes in turn, A B A B ..., so that a machine that grows slower slows both. Prints the median ratios.
"""

import argparse
import statistics
import subprocess
import sys
import time
from pathlib import Path

PROTOCOL = Path(__file__).parents[1] / "fixtures" / "protocols" / "acl-reconstruction.yaml"
PAIRS = [
    (["--help"], "import click"),
    (["check", str(PROTOCOL)], "import click, yaml, pydantic"),
]


def seconds(*words: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - start


def ratios(command: list[str], floor: str, runs: int) -> list[float]:
    """Sorted; the first pair only warms the file cache."""
    pairs = [(seconds("-m", "careplan_bridge", *command), seconds("-c", floor)) for _ in range(runs + 1)][1:]
    return sorted(ours / least for ours, least in pairs)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=15)
    runs = parser.parse_args().runs
    for command, floor in PAIRS:
        found = ratios(command, floor, runs)
        spread = f"of {runs} pairs, {found[0]:.2f} to {found[-1]:.2f}"
        print(f"{command[0]} over `python -c '{floor}'`: {statistics.median(found):.2f} ({spread})")


if __name__ == "__main__":
    main()
