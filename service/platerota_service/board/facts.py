"""What a sheet for the floor tells besides times: nests, clamps, masses, tools, where pieces come from and go to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from functools import cached_property

from platerota_service.pictures.cautions import About, split_caution, warnings_about
from platerota_service.pictures.lanes import LaneDrawing
from platerota_service.pictures.week import Week, duration, shown
from platerota_shared.calendars import shift_days, subtract
from platerota_shared.plan import Run, Task
from platerota_shared.tables import Fixture, Machine, Operation, Plate


def counted(count: int, noun: str) -> str:
    """Such as ``1 clamp`` or ``6 clamps``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def tool_words(tools: list[str]) -> str:
    """Which tools a setup brings in."""
    return f"load tools: {', '.join(map(shown, tools))}" if tools else "no tool to load"


class Facts:
    """Look-ups for the sheets of one week.

    Parameters
    ----------
    week
        The plan and the request it answers.
    """

    def __init__(self, week: Week) -> None:
        self.week = week
        shop = week.request.shop
        self.machines: dict[str, Machine] = {row.id: row for row in shop.machines}
        self.plates: dict[str, Plate] = {row.id: row for row in shop.plates}
        self.fixtures: dict[str, Fixture] = {row.id: row for row in shop.fixtures}
        self.operations: dict[tuple[str, int], Operation] = {(row.part, row.op): row for row in shop.operations}
        self.nests: dict[str, dict[tuple[str, int], int]] = defaultdict(dict)
        for row in shop.nests:
            self.nests[row.fixture][row.part, row.op] = row.count
        self.steps: dict[str, dict[str, Task]] = defaultdict(dict)
        self._checks: dict[tuple[str, str, int], Task] = {}
        for task in week.plan.tasks:
            if task.run is not None:
                self.steps[task.run].setdefault(task.kind, task)
            if task.kind == "first_article" and task.run is not None and task.order is not None and task.op is not None:
                self._checks[task.run, task.order, task.op] = task
        warnings = week.plan.warnings
        self.unattended_cautions = [split_caution(one) for one in warnings if one.code == "unattended-cutting"]
        self._warnings = warnings_about(warnings, week.request)

    def cautions(self, about: About) -> list[tuple[str, str]]:
        """The plan's own cautions about a plate or an operation, each its finding and its advice."""
        return [split_caution(one) for one in self._warnings[about]]

    @cached_property
    def _attended(self) -> list[tuple[int, int]]:
        return LaneDrawing(self.week).attended

    def alone_seconds(self, run: Run) -> int:
        """Seconds of the run's cut while nobody is in a shift."""
        cut = self.steps[run.id].get("cut")
        return sum(end - start for start, end in subtract([(cut.start, cut.end)], self._attended)) if cut is not None else 0

    def mass_words(self, run: Run) -> str:
        """Plate, hardware and stock of a run (F5); `at least` where one of them was not given, so that nobody lifts more than is said."""
        hardware = self.fixtures[run.fixture].mass
        stock = [(row.pieces, self.operations[row.part, row.op].stock_mass) for row in run.pieces]
        loaded = self.plates[run.plate].mass + hardware + sum(pieces * each for pieces, each in stock)
        known = hardware and all(each for _, each in stock)
        return f"{loaded:.1f} kg" if known else f"at least {loaded:.1f} kg"

    def plate_words(self, run: Run) -> str:
        """The plate and its name, if it has one."""
        name = self.week.name("plates", run.plate)
        return f"{shown(run.plate)} {name}" if name else shown(run.plate)

    def fixture_words(self, fixture: str) -> str:
        """A fixture's name, or its id where it has none."""
        return self.week.name("fixtures", fixture) or shown(fixture)

    def _by_nest(self, run: Run) -> dict[tuple[str, int], dict[str, int]]:
        """(part, op) -> order -> pieces on the plate."""
        found: dict[tuple[str, int], dict[str, int]] = defaultdict(dict)
        for row in run.pieces:
            orders = found[row.part, row.op]
            orders[row.order] = orders.get(row.order, 0) + row.pieces
        return found

    def load_lines(self, run: Run) -> Iterator[str]:
        """Which pieces go into which nests, where they come from, and which nests stay empty."""
        held = self._by_nest(run)
        for (part, op), orders in held.items():
            count = sum(orders.values())
            whose = ", ".join(f"{self.week.called('orders', order)} ×{pieces}" for order, pieces in orders.items())
            nests = f"{counted(count, 'piece')} into {count} of {self.nests[run.fixture][part, op]} nests"
            yield f"{shown(part)} op {op}: {nests}, {self._origin(part, op)}; order {whose}"
        empty = [f"{shown(part)} op {op} ({count})" for (part, op), count in self.nests[run.fixture].items() if (part, op) not in held]
        if empty:
            yield f"stay empty: {', '.join(empty)}"

    def unload_lines(self, run: Run) -> Iterator[str]:
        """Which pieces come out and where they go."""
        for (part, op), orders in self._by_nest(run).items():
            for order, count in orders.items():
                yield f"{shown(part)} op {op} ×{count} of {self.week.called('orders', order)}: {self._destination(run, order, part, op)}"

    def _origin(self, part: str, op: int) -> str:
        before = [row.op for row in self.week.request.shop.operations if row.part == part and row.op < op]
        return f"from op {max(before)}" if before else "raw stock"

    def _destination(self, run: Run, order: str, part: str, op: int) -> str:
        """What happens to pieces after they are unloaded, in its order."""
        row = self.operations[part, op]
        later = [other.op for other in self.week.request.shop.operations if other.part == part and other.op > op]
        first = self._checks.get((run.id, order, op))
        steps = [f"first article check {self.week.moment(first.start)}, {shown(first.operator or '')}"] if first is not None else []
        steps += ["bench work"] if row.bench_seconds else []
        steps += [f"wait {duration(row.after_seconds)}"] if row.after_seconds else []
        return ", then ".join([*steps, f"for op {min(later)}" if later else "finished"])

    def tools(self, fixture: str) -> list[str]:
        """The tools of every op in the nests of a fixture, each once."""
        return list(dict.fromkeys(tool for part, op in self.nests[fixture] for tool in self.operations[part, op].tools))

    def tools_to_load(self, setup: Task) -> list[str]:
        """The tools that a setup brings in: those of its fixture, less the resident ones and those of the fixture before (F8)."""
        assert setup.machine is not None
        assert setup.fixture is not None
        before = self._fixture_before(setup.machine, setup.start)
        there = {*self.machines[setup.machine].tools, *(self.tools(before) if before is not None else ())}
        return [tool for tool in self.tools(setup.fixture) if tool not in there]

    def _fixture_before(self, machine: str, instant: int) -> str | None:
        """The fixture of the last cut there before an instant; what the floor says where the plan has none; None: unknown."""
        cuts = [task for task in self.week.lane("machine", machine) if task.kind == "cut" and task.start < instant and task.run is not None]
        if cuts:
            last = max(cuts, key=lambda task: task.start).run
            assert last is not None
            return self.week.runs[last].fixture
        return next((row.fixture for row in self.week.request.floor.last_fixtures if row.machine == machine), None)

    def shift_words(self, operator: str, start: int, end: int) -> str:
        """Such as ``06:00–14:00 (break 10:00–10:15)``, for the shifts that start in a stretch."""
        found: list[str] = []
        for day in shift_days(self.week.request.shop, operator, start, end):
            if start <= day.start < end:
                breaks = ", ".join(f"break {self.week.minute(a)}–{self.week.minute(b)}" for a, b in day.breaks)
                more = "; ".join(filter(None, ("overtime" if day.overtime else "", breaks)))
                found.append(f"{self.week.minute(day.start)}–{self.week.minute(day.end)}" + (f" ({more})" if more else ""))
        return ", ".join(found)


class Notes:
    """Numbers the cautions of one sheet; advice that several share is printed once."""

    def __init__(self) -> None:
        self.findings: list[str] = []
        self.advice: list[str] = []

    def number(self, caution: tuple[str, str]) -> int:
        """The number of a caution (its finding and its advice), from 1."""
        finding, advice = caution
        if finding not in self.findings:
            self.findings.append(finding)
        if advice and advice not in self.advice:
            self.advice.append(advice)
        return self.findings.index(finding) + 1
