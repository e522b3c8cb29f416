"""`python -m benchmarks`: solve families × seeds × features, each in a fresh process, and print goals against figures."""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from benchmarks.families import FAMILIES
from benchmarks.generator import read_features
from benchmarks.goals import Figures, table

DEFAULT_SEEDS = {"tiny": 10, "small": 10, "medium": 10, "large": 3, "huge": 1}
VERSIONS = ("ortools", "numpy", "numba", "pydantic", "platerota")


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print and keep the figures; 0 well, 1 where a measurement failed."""
    options = _options(arguments)
    report: dict[str, Any] = {"machine": _machine(), "measured": []}
    print("  ".join(f"{name} {value}" for name, value in report["machine"].items()), flush=True)
    failed = False
    for family in options.family:
        seeds = list(range(1, (options.seeds or DEFAULT_SEEDS[family]) + 1))
        for features in options.features:
            seconds = options.seconds or FAMILIES[family].solve_seconds
            print(f"\n{family}, {features}: seeds {seeds[0]} to {seeds[-1]}, {seconds:g} s each", flush=True)
            rows = [row for seed in seeds if (row := _measure(family, seed, features, seconds)) is not None]
            failed |= len(rows) < len(seeds)
            report["measured"].append({"family": family, "features": features, "seconds": seconds, "seeds": seeds, "figures": rows})
            print("\n".join(table(family, rows)) if rows else "nothing was measured", flush=True)
    options.output.parent.mkdir(parents=True, exist_ok=True)
    options.output.write_text(json.dumps(report, indent=1), "utf-8")
    print(f"\nfigures of every seed: {options.output}")
    return int(failed)


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--family", nargs="+", choices=FAMILIES, default=list(FAMILIES), help="sizes of shop (all)")
    parser.add_argument("--seeds", type=int, help="seeds 1 to N (10; large 3, huge 1)")
    parser.add_argument("--seconds", type=float, help="budget of the optimiser (the family's)")
    parser.add_argument("--features", nargs="+", default=["plain", "basic"], help="feature sets, such as plain routed,closures basic full")
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    parser.add_argument("--output", type=Path, default=Path("build") / f"bench-{stamp}.json", help="where the figures are kept")
    options = parser.parse_args(arguments)
    try:
        for features in options.features:
            read_features(features)
    except ValueError as error:
        parser.error(str(error))
    return options


def _machine() -> dict[str, Any]:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") >> 30
    versions = {name: version(name) for name in VERSIONS}
    return {"cpus": os.cpu_count(), "memory_gib": memory, "system": platform.platform(), "python": platform.python_version(), **versions}


def _measure(family: str, seed: int, features: str, seconds: float) -> Figures | None:
    """The figures of one request, from a process of its own; None, with its words shown, where it failed."""
    command = [sys.executable, "-m", "benchmarks.measure", family, str(seed), features, str(seconds)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        print(f"{family} seed {seed} failed ({done.returncode}): {done.stderr.strip()[-2_000:]}", flush=True)
        return None
    figures: Figures = json.loads(done.stdout.splitlines()[-1])
    print(f"  seed {seed}: score ÷ dispatcher's {figures['ratio']:.3f}, gap {figures['gap']:.3f}, {figures['solve_s']:.1f} s", flush=True)
    return figures


if __name__ == "__main__":
    sys.exit(main())
