"""The bench says what it will do, judges every goal over all seeds, and keeps only what is better."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from benchmarks.__main__ import main
from benchmarks.best_known import STORE, Store, key_of
from benchmarks.families import FAMILIES
from benchmarks.generator import make_request, read_features
from benchmarks.goals import COLUMNS, GOALS, Goal, derived, lines, worst
from benchmarks.jobs import FULL, PARTS, QUICK, Job, plan_jobs
from benchmarks.measure import MOST_SECONDS, commit, digest, generated, improved_by, measure, read_with_budget
from benchmarks.published import INSTANCES
from benchmarks.report import goals_markdown, goals_text
from benchmarks.report import main as report
from benchmarks.scale import STEPS, draw, markdown, table

Row = dict[str, Any]


def row(part: str, family: str = "medium", seed: int = 1, how: Row | None = None, **figures: float) -> Row:
    """A measured job as a report holds it."""
    reached = {
        "by": "solver", "workers": 2, "stage": "search", "solver_seed": seed, "version": "0", "commit": "1a2b3c", "request": "abc",
        "bound": 40.0,
    }
    return {
        "part": part, "family": family, "features": "plain", "seed": seed, "seconds": 1.0, "solver_seed": None,
        "figures": {"findings": 0.0, **figures}, "how": reached if how is None else how,
    }


def nothing_stored(_: Row) -> None:
    return None


def test_a_goal_is_judged_over_all_seeds_and_says_by_how_much_it_is_missed() -> None:
    figures = [{"ratio": ratio} for ratio in (0.5, 0.7, 1.1)]
    assert Goal("solve", "small", "ratio", worst, 1.1).verdict(figures) == "met"
    assert Goal("solve", "small", "ratio", worst, 1.0).verdict(figures) == "MISSED by 0.1 (10%)"
    assert Goal("solve", "small", "ratio", median, 0.8).verdict(figures) == "met"
    assert Goal("solve", "small", "ratio", min, 0.6, at_least=True).verdict(figures) == "MISSED by 0.1 (17%)"
    assert Goal("solve", "small", "ratio", worst, 1.0).verdict([{"ratio": math.inf}]) == "MISSED, not in the time"


def test_every_goal_speaks_of_figures_families_and_instances_that_exist() -> None:
    assert {goal.figure for goal in GOALS} <= set(COLUMNS)
    assert {goal.part for goal in GOALS} <= set(PARTS)
    named = {name for goal in GOALS if goal.part == "published" for name in goal.family.split("+")}
    assert named == set(INSTANCES)
    assert {goal.family for goal in GOALS if goal.part != "published"} == set(FAMILIES)


def test_ratios_compare_the_same_request_only() -> None:
    rows = [
        row("solve", score=90.0, seed=1), row("monolith", score=100.0, seed=1), row("pyjobshop", score=80.0, seed=1),
        row("solve", score=50.0, seed=2), row("monolith", "large", score=1.0, seed=2),
    ]
    first, _, _, second, _ = (one["figures"] for one in derived(rows, nothing_stored))
    assert first["against_monolith"] == 90 / 100
    assert first["against_pyjobshop"] == first["against_best"] == 90 / 80
    assert "against_best" not in second
    assert derived(rows, lambda one: 45.0)[3]["figures"]["against_best"] == 50 / 45


def test_a_plan_below_a_bound_is_told() -> None:
    for other, beaten in ((41.0, 0.0), (39.0, 1.0)):
        assert derived([row("solve", score=90.0), row("monolith", score=other)], nothing_stored)[0]["figures"]["beaten"] == beaten


def test_a_reference_with_findings_is_no_reference() -> None:
    rows = [row("solve", score=90.0), row("monolith", score=10.0) | {"figures": {"score": 10.0, "findings": 1.0}}]
    assert "against_monolith" not in derived(rows, nothing_stored)[0]["figures"]


def test_spread_and_growth_come_from_several_rows() -> None:
    rows = [row("seeds", score=100.0), row("seeds", score=104.0), row("seeds", seed=2, score=5.0)]
    assert [one["figures"]["spread"] for one in derived(rows, nothing_stored) if "spread" in one["figures"]] == [pytest.approx(0.04)]
    sizes = [row("scale", "medium", runs=100.0, constructive_ms=50.0), row("scale", "huge", runs=1_000.0, constructive_ms=1_000.0)]
    assert [one["figures"]["growth"] for one in derived(sizes, nothing_stored)] == [1.0, 2.0]


def test_what_is_not_proved_took_for_ever() -> None:
    rows = [row("solve", "tiny", score=1.0, solve_s=9.0, proved=0.0)]
    assert derived(rows, nothing_stored)[0]["figures"]["proved_s"] == math.inf


def test_a_goal_without_figures_is_shown_as_not_measured() -> None:
    shown = [line for line in lines([]) if not line.figures]
    assert len(shown) == len(GOALS)
    text = goals_text([row("solve", ratio=0.7)])
    assert any("median ≤ 0.6" in one and "MISSED by 0.1 (17%)" in one for one in text.splitlines())
    assert text.count("not measured") >= len(GOALS) - 10
    assert goals_markdown([row("solve", ratio=0.5)]).count("\n") == len(goals_text([row("solve", ratio=0.5)]).splitlines())


@pytest.mark.parametrize("sample", [FULL, QUICK], ids=["full", "quick"])
def test_the_jobs_of_a_bench_cover_every_goal(sample: Any) -> None:
    names = sample.published or tuple(INSTANCES)
    jobs = plan_jobs(sample, PARTS, FAMILIES, names)
    for goal in GOALS:
        assert any(job.part == goal.part and job.family in goal.family.split("+") for job in jobs), goal


def test_an_estimate_is_printed_first_and_nothing_is_measured(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    output = tmp_path / "bench.json"
    assert main(["--estimate", "--parts", "solve", "published", "--family", "medium", "--seeds", "2", "--output", str(output)]) == 0
    shown = capsys.readouterr().out
    assert "solve: 4 jobs, at most about 96 s" in shown
    assert f"published: {len(INSTANCES)} jobs" in shown
    assert not output.exists()


def test_a_bench_keeps_what_it_measured_and_prints_every_goal(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("benchmarks.__main__.run_job", lambda job: "(1) out of memory" if job.seed == 2 else row(
        job.part, job.family, job.seed, ratio=0.7, score=70.0, gap=0.2, runs=160.0, memory_mib=1.0,
        **dict.fromkeys(STEPS, 5.0)))
    output = tmp_path / "new" / "bench.json"
    assert main(["--parts", "solve", "scale", "--family", "medium", "--features", "plain", "--seeds", "2", "--output", str(output)]) == 1
    shown = capsys.readouterr().out
    assert "[2/3] solve medium plain 2 FAILED (1) out of memory" in shown
    assert "MISSED by 0.1 (17%)" in shown
    assert len(json.loads(output.read_text("utf-8"))["measured"]) == 2
    assert output.with_suffix(".svg").read_text("utf-8").startswith("<svg")


def test_the_share_of_the_improvement_is_what_was_shown_until_then() -> None:
    progress = [(0.1, 100.0), (2.0, 60.0), (5.0, 20.0), (9.0, 0.0)]
    assert improved_by(progress, 1.0) == 0.0
    assert improved_by(progress, 5.0) == pytest.approx(0.8)
    assert improved_by([(0.1, 7.0)], 1.0) == 1.0


def test_the_store_takes_only_audited_plans_that_are_better(tmp_path: Path) -> None:
    path = tmp_path / "best.json"
    path.write_text("{}", "utf-8")
    store = Store(path)
    assert len(store.offer([row("solve", score=10.0), row("solve", score=12.0)])) == 1
    assert store.offer([row("night", score=10.0)]) == []
    assert store.offer([row("night") | {"figures": {"score": 1.0, "findings": 2.0}}]) == []
    assert store.offer([row("monolith", how={"refused": "cannot express: setups"})]) == []
    changed = store.offer([row("night", score=9.0) | {"seconds": 600.0}])
    entry = store.read()["medium plain 1"]
    assert "was 10" in changed[0]
    assert (entry["score"], entry["by"], entry["stage"], entry["request"]) == (9.0, "one night", "search", "abc")
    assert entry["commit"] == "1a2b3c"
    other = row("solve", score=11.0)
    other["how"] = other["how"] | {"request": "another generator"}
    assert len(store.offer([other])) == 1  # what was known was of a request that is no more


def test_every_stored_best_is_of_a_request_that_the_generator_still_makes() -> None:
    for key, entry in json.loads(STORE.read_text("utf-8")).items():
        family, features, seed = key.split()
        assert entry["request"] == digest(make_request(family, int(seed), read_features(features))), key
        assert {"score", "by", "seconds", "solver_seed", "workers", "stage", "version", "commit"} <= set(entry)


def test_a_request_is_known_by_its_tables_not_by_its_settings() -> None:
    raw = make_request("tiny", 1)
    other = raw | {"settings": {"solve_seconds": 1, "seed": 77}}
    assert digest(raw) == digest(other) != digest(make_request("tiny", 2))


def test_a_night_may_be_longer_than_a_caller_may_ask_for() -> None:
    raw = generated(Job("night", "tiny", "plain", 1, 3 * MOST_SECONDS))
    assert raw["settings"]["solve_seconds"] == MOST_SECONDS
    assert read_with_budget(raw, 3 * MOST_SECONDS).settings.solve_seconds == 3 * MOST_SECONDS


def test_cost_over_size_is_drawn_and_listed() -> None:
    rows = [row("scale", family, runs=runs, memory_mib=200.0, **dict.fromkeys(STEPS, runs / 10)) for family, runs in
            (("huge", 3_000.0), ("tiny", 10.0), ("medium", 160.0))]
    assert [line.split()[0] for line in table(rows).splitlines()[1:]] == ["tiny", "medium", "huge"]
    assert "| medium | 160 | 0.100 |" in markdown(rows)
    picture = ElementTree.fromstring(draw(rows))
    flat = [line for line in picture.iter("{http://www.w3.org/2000/svg}polyline")]
    assert len(flat) == len(STEPS)
    heights = {point.split(",")[1] for point in flat[0].attrib["points"].split()}
    assert len(heights) == 1  # the same cost per run at every size


def test_reports_of_several_days_make_one_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / "monday.json", tmp_path / "friday.json"]
    for file, rows in zip(files, ([row("solve", score=80.0)], [row("monolith", score=100.0)]), strict=True):
        file.write_text(json.dumps({"machine": {"cpus": 2}, "measured": rows}), "utf-8")
    assert report([*map(str, files), "--markdown"]) == 0
    shown = capsys.readouterr().out
    assert "| score ÷ monolith's | medium | plain | median ≤ 0.95 | 0.8 | 0.8 to 0.8 | 1 | met |" in shown
    assert shown.count("cpus 2") == 1


def test_a_machine_without_git_measures_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    assert commit() == "unknown"


def test_one_solve_is_measured_from_end_to_end() -> None:
    measured = measure(Job("solve", "tiny", "plain", 1, 0.5))
    assert measured["figures"]["findings"] == 0
    assert 0 < measured["figures"]["ratio"] <= 1
    assert 0 <= measured["figures"]["anytime"] <= 1
    assert measured["how"]["request"] == digest(make_request("tiny", 1))
    assert key_of(measured) == "tiny plain 1"
    json.dumps(measured, allow_nan=False)
