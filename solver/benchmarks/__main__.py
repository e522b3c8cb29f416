"""`python -m benchmarks`: measure parts × families × features × seeds, each in a fresh process, and print goals against figures."""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from time import perf_counter
from typing import Any

from benchmarks.families import FAMILIES
from benchmarks.generator import read_features
from benchmarks.jobs import FULL, PARTS, QUICK, Job, Row, Sample, duration, plan_jobs, run_job
from benchmarks.published import INSTANCES
from benchmarks.report import figures_text, goals_text
from benchmarks.scale import draw, table

VERSIONS = ("ortools", "numpy", "numba", "pydantic", "pyjobshop", "platerota")


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print and keep the figures; 0 well, 1 where a measurement failed."""
    options = _options(arguments)
    sample = _sample(options)
    jobs = plan_jobs(sample, options.parts, options.family, sample.published or tuple(INSTANCES))
    machine = _machine()
    print("  ".join(f"{name} {value}" for name, value in machine.items()))
    for part in options.parts:
        own = [job for job in jobs if job.part == part]
        print(f"{part}: {len(own)} jobs, at most about {duration(sum(job.estimate() for job in own))}")
    print(f"together at most about {duration(sum(job.estimate() for job in jobs))}", flush=True)
    if options.estimate:
        return 0
    began = perf_counter()
    report: dict[str, Any] = {"machine": machine, "quick": options.quick, "measured": []}
    failed = _measure(jobs, report, options.output)
    rows: list[Row] = report["measured"]
    print(figures_text(rows))
    if any(row["part"] == "scale" for row in rows):
        print("\n" + table(rows))
    print("\n" + goals_text(rows))
    if options.quick:
        print("\nsmall samples and short budgets: only a full bench says whether a goal is met")
    _say_where(options.output, rows, perf_counter() - began)
    return int(failed > 0)


def _measure(jobs: Sequence[Job], report: dict[str, Any], output: Path) -> int:
    """Add the row of each job to the report, and keep it at once; how many jobs gave none."""
    rows: list[Row] = report["measured"]
    output.parent.mkdir(parents=True, exist_ok=True)
    for number, job in enumerate(jobs, start=1):
        name = " ".join(word for word in (job.part, job.family, job.features, str(job.seed or "")) if word)
        row = run_job(job)
        if isinstance(row, str):
            print(f"[{number}/{len(jobs)}] {name} FAILED {row}", flush=True)
            continue
        rows.append(row)
        output.write_text(json.dumps(report, indent=1), "utf-8")
        shown = ("score", "ratio", "gap", "proved", "constructive_ms", "solve_s")
        words = ", ".join(f"{key} {row['figures'][key]:.4g}" for key in shown if key in row["figures"])
        print(f"[{number}/{len(jobs)}] {name}: {words or row['how'].get('refused', '')}", flush=True)
    return len(jobs) - len(rows)


def _say_where(output: Path, rows: list[Row], seconds: float) -> None:
    """Where the figures are, and what can be made of them."""
    print(f"\n{duration(seconds)}; every figure: {output}; a table for a page: python -m benchmarks.report {output} --markdown")
    print(f"what is better than the best known: python -m benchmarks.best_known --from {output}")
    if any(row["part"] == "scale" for row in rows):
        picture = output.with_suffix(".svg")
        picture.write_text(draw(rows), "utf-8")
        print(f"cost over size: {picture}")


def _sample(options: argparse.Namespace) -> Sample:
    """What to measure, as the options change it."""
    sample = QUICK if options.quick else FULL
    if options.seeds:
        sample = replace(sample, seeds=dict.fromkeys(FAMILIES, options.seeds))
    if options.reference_seeds is not None:
        number = options.reference_seeds
        sample = replace(
            sample, monolith_seeds=dict.fromkeys(FAMILIES, number), pyjobshop_seeds=dict.fromkeys(FAMILIES, number),
            spread_seeds=dict.fromkeys(FAMILIES, number), decision_seeds={"medium": number},
            lever_seeds={"medium": number})
    if options.seconds:
        sample = replace(sample, seconds=dict.fromkeys(FAMILIES, options.seconds))
    if options.times:
        sample = replace(sample, reference_times=options.times)
    if options.published:
        sample = replace(sample, published=tuple(options.published))
    return replace(sample, features=tuple(options.features or sample.features))


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=list(PARTS), help="what is measured (all)")
    parser.add_argument("--family", nargs="+", choices=FAMILIES, default=list(FAMILIES), help="sizes of shop (all)")
    parser.add_argument("--features", nargs="+", help="feature sets, such as plain routed,closures basic full (plain and basic)")
    parser.add_argument("--seeds", type=int, help="seeds 1 to N (10; large 3, huge 1)")
    parser.add_argument("--reference-seeds", type=int, help="the same for references and spread, in every family (3 and 5, in some)")
    parser.add_argument("--seconds", type=float, help="budget of the optimiser (the family's)")
    parser.add_argument("--times", type=float, help="budget of monolith and PyJobShop in budgets of ours (10)")
    parser.add_argument("--published", nargs="+", choices=INSTANCES, metavar="NAME", help="published instances (all)")
    parser.add_argument("--quick", action="store_true", help="small samples and short budgets: every line, in less than five minutes")
    parser.add_argument("--estimate", action="store_true", help="say how long it would take, measure nothing")
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    parser.add_argument("--output", type=Path, default=Path("build") / f"bench-{stamp}.json", help="where the figures are kept")
    options = parser.parse_args(arguments)
    try:
        for features in options.features or ():
            read_features(features)
    except ValueError as error:
        parser.error(str(error))
    return options


def _machine() -> dict[str, Any]:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") >> 30
    versions = {name: version(name) for name in VERSIONS}
    return {"cpus": os.cpu_count(), "memory_gib": memory, "system": platform.platform(), "python": platform.python_version(), **versions}


if __name__ == "__main__":
    sys.exit(main())
