"""The best plans known of generated requests, and how each was reached.

    python -m benchmarks.best_known --family medium --seeds 3 --features plain    one night: our solver at 30 times its budget
    python -m benchmarks.best_known --part monolith --family small --seeds 3      the monolith, or PyJobShop, at the same time
    python -m benchmarks.best_known --from build/bench-….json                     whatever a bench found that is better

Only an audited plan with a lower score than the stored one changes the store. An entry counts for the request it was
reached on: when the generator changes, its digest says so and the entry is not used any more.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from benchmarks.families import FAMILIES
from benchmarks.generator import read_features
from benchmarks.jobs import NIGHT_TIMES, Job, Row, duration, run_job

STORE = Path(__file__).with_name("best_known.json")
PARTS = ("night", "monolith", "pyjobshop")
Entry = dict[str, Any]
LESS = 1e-6
"""Points by which a plan must be better to count."""


@dataclass
class Store:
    """Entries by ``"family features seed"``."""

    path: Path

    def read(self) -> dict[str, Entry]:
        """All entries."""
        found: dict[str, Entry] = json.loads(self.path.read_text("utf-8"))
        return found

    def offer(self, rows: Iterable[Row]) -> list[str]:
        """Keep what is better than the store; words for each entry that changed."""
        entries, changed = self.read(), list[str]()
        for row in rows:
            score, key = row["figures"].get("score"), key_of(row)
            if score is None or row["figures"]["findings"] or row["part"] == "published":
                continue
            known = _known(entries.get(key), row)
            if known is None or score < known - LESS:
                entries[key] = _entry(row)
                changed.append(f"{key}: {score:.6g}, {'new' if known is None else f'was {known:.6g}'}, by {entries[key]['by']}")
        if changed:
            self.path.write_text(json.dumps(dict(sorted(entries.items(), key=_order)), indent=1) + "\n", "utf-8")
        return changed


def key_of(row: Row) -> str:
    """The name of a request in the store."""
    return f"{row['family']} {row['features']} {row['seed']}"


def _order(item: tuple[str, Entry]) -> tuple[int, str, int]:
    family, features, seed = item[0].split()
    return list(FAMILIES).index(family), features, int(seed)


def _known(entry: Entry | None, row: Row) -> float | None:
    """The stored score, where it is of the request that the row solved."""
    return None if entry is None or entry["request"] != row["how"]["request"] else float(entry["score"])


@cache
def _stored() -> dict[str, Entry]:
    return Store(STORE).read()


def stored_score(row: Row) -> float | None:
    """The best score known of the request of a row; None where there is none."""
    return _known(_stored().get(key_of(row)), row) if "request" in row["how"] else None


def _entry(row: Row) -> Entry:
    how = row["how"]
    night = how["by"] == "solver" and row["seconds"] >= NIGHT_TIMES * FAMILIES[row["family"]].solve_seconds
    return {
        "score": row["figures"]["score"], "proved": bool(row["figures"].get("proved", 0)), "by": "one night" if night else how["by"],
        "seconds": row["seconds"], "solver_seed": how["solver_seed"], "workers": how["workers"], "stage": how["stage"],
        "version": how["version"], "commit": how["commit"], "request": how["request"],
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, or read what was measured, and keep what is better; 1 where a measurement failed."""
    options = _options(arguments)
    store = Store(STORE)
    if options.report:
        rows = [row for file in options.report for row in json.loads(file.read_text("utf-8"))["measured"]]
        print("\n".join(store.offer(rows)) or "nothing better")
        return 0
    jobs = [
        Job(options.part, family, features, seed, options.seconds or options.times * FAMILIES[family].solve_seconds)
        for family in options.family for features in options.features for seed in range(1, options.seeds + 1)
    ]
    print(f"{len(jobs)} requests, about {duration(sum(job.estimate() for job in jobs))}", flush=True)
    failed = 0
    for job in jobs:
        row = run_job(job)
        if isinstance(row, str):
            failed += 1
            print(f"{job} failed {row}", flush=True)
            continue
        print("\n".join(store.offer([row])) or f"{key_of(row)}: {row['how'].get('refused', 'nothing better')}", flush=True)
    return int(failed > 0)


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.best_known", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--from", dest="report", nargs="+", type=Path, help="take from these reports, measure nothing")
    parser.add_argument("--part", choices=PARTS, default="night", help="who plans (night)")
    parser.add_argument("--family", nargs="+", choices=FAMILIES, default=["small", "medium"], help="sizes of shop (small and medium)")
    parser.add_argument("--features", nargs="+", default=["plain"], help="feature sets (plain)")
    parser.add_argument("--seeds", type=int, default=3, help="seeds 1 to N (3)")
    parser.add_argument("--times", type=float, default=NIGHT_TIMES, help="budget in budgets of the family (30)")
    parser.add_argument("--seconds", type=float, help="budget in seconds, instead")
    options = parser.parse_args(arguments)
    try:
        for features in options.features:
            read_features(features)
    except ValueError as error:
        parser.error(str(error))
    return options


if __name__ == "__main__":
    sys.exit(main())
