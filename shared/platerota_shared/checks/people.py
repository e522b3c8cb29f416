"""Work that nobody on shift can do (F11)."""

from __future__ import annotations

from collections.abc import Iterator

from platerota_shared.calendars import working_spans
from platerota_shared.checks.fit import Fits
from platerota_shared.checks.making import Way, ways
from platerota_shared.faults import Fault, listed
from platerota_shared.fields import Skill
from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Operation

_WEEK = 7 * 86_400
_HANDS: frozenset[Skill] = frozenset(("load", "unload"))
_IN_ORDER: tuple[Skill, ...] = ("build", "load", "exchange", "setup", "unload", "first_article", "bench")


def nobody_for(tables: RequestTables, fits: Fits) -> Iterator[Fault]:
    """A fault for the skills that an order needs and nobody with working time inside the horizon has."""
    if tables.now is None or tables.horizon_end is None or tables.operators.may_hold() or tables.shifts.may_hold():
        return
    crew = _Crew(tables, tables.now, tables.horizon_end)
    missing = set(_missing_for_floor(tables, crew))
    for part, op in tables.needed:
        if missing >= crew.lacking:
            break
        missing |= _missing_for_op(tables, fits, crew, part, op, missing)
    unskilled = [skill for skill in _IN_ORDER if skill in missing and not any(row.can(skill) for row in tables.operators.rows())]
    absent = [skill for skill in _IN_ORDER if skill in missing and skill not in unskilled]
    if unskilled:
        words = f"the orders need {listed(unskilled, 7)}, and no operator has that skill"
        yield Fault("/shop/operators", "nobody", words, "add it to the skills of an operator; an empty list means all skills")
    if absent:
        words = f"the orders need {listed(absent, 7)}, and nobody who can do it has a shift between now and the end of the horizon"
        yield Fault("/shop/shifts", "nobody", words, "add a shift, shorten closures, or widen horizon_days")


class _Crew:
    """Who can do what inside the horizon; each question answered once."""

    def __init__(self, tables: RequestTables, now: int, horizon_end: int) -> None:
        self._tables, self._now, self._end = tables, now, horizon_end
        self._on_shift: dict[str, bool] = {}
        self.lacking: set[Skill] = {skill for skill in _IN_ORDER if not self._has(skill)}
        """The skills that nobody with working time has."""

    def _has(self, skill: Skill) -> bool:
        return any(row.can(skill) and self._works(row.id) for row in self._tables.operators.rows())

    def _works(self, operator: str) -> bool:
        """Whether an operator has working time, looked for in the first week before the whole horizon because that is mostly enough."""
        if operator not in self._on_shift:
            self._on_shift[operator] = any(
                working_spans(self._tables.shop, operator, self._now, end, overtime=overtime)
                for end in (min(self._now + _WEEK, self._end), self._end) for overtime in (False, True)
            )
        return self._on_shift[operator]


def _missing_for_op(tables: RequestTables, fits: Fits, crew: _Crew, part: str, op: int, known: set[Skill]) -> set[Skill]:
    """The skills, beside those `known` to be missing, that stand in the way of an op: none where one way needs none of them."""
    row = tables.operation(part, op)
    missing = (_after_skills(tables, row) & crew.lacking) - known if row is not None else set[Skill]()
    best: set[Skill] | None = None
    for way in ways(tables, fits, part, op):
        found = (_way_skills(tables, fits, way) & crew.lacking) - known
        if best is None or len(found) < len(best):
            best = found
        if not found:
            break
    return missing | (best if best is not None else crew.lacking & _HANDS)


def _way_skills(tables: RequestTables, fits: Fits, way: Way) -> set[Skill]:
    skills: set[Skill] = {"load", "unload"}
    if way.plate.stays_in is None:
        skills.add("exchange")
    if way.built:
        skills.add("build")
    if _needs_setup(tables, fits, way):
        skills.add("setup")
    return skills


def _needs_setup(tables: RequestTables, fits: Fits, way: Way) -> bool:
    """Whether the first cut of this way in this plan surely needs a setup of more than 0 seconds (F8).

    Where fixtures follow each other without one, each has only tools that the machine held at `now`, so asking for the
    tools of the first fixture is enough.
    """
    machine, last = way.machine, tables.last_on.get(way.machine.id)
    if last == way.fixture.id:
        return False
    held = set(machine.tools) | (fits.tools(last) if last is not None else frozenset[str]())
    return machine.setup_seconds > 0 or (machine.tool_load_seconds > 0 and not fits.tools(way.fixture.id) <= held)


def _after_skills(tables: RequestTables, row: Operation) -> set[Skill]:
    skills: set[Skill] = set()
    if row.bench_seconds > 0:
        skills.add("bench")
    if row.first_article_seconds > 0 and any(_first(tables, order.id, row.op) for order in tables.needed[row.part, row.op]):
        skills.add("first_article")
    return skills


def _first(tables: RequestTables, order: str, op: int) -> bool:
    """Whether no piece of the order is through `op` yet (F15)."""
    return not any(name == order and done >= op for name, done in tables.through)


def _missing_for_floor(tables: RequestTables, crew: _Crew) -> Iterator[Skill]:
    """What runs under way still need: unloading, an exchange where they are or go in a machine, bench work."""
    runs = [(row, "running") for row in tables.running.rows()] + [(row, row.stage) for row in tables.waiting.rows()]
    for row, stage in runs:
        plate, order = tables.plates.row(row.plate), tables.orders.row(row.order)
        skills: set[Skill] = {"unload"}
        if stage != "pulled" and plate is not None and plate.stays_in is None:
            skills.add("exchange")
        operation = tables.operation(order.part, row.op) if order is not None else None
        if operation is not None and operation.bench_seconds > 0:
            skills.add("bench")
        if operation is not None and operation.first_article_seconds > 0 and _first(tables, row.order, row.op):
            skills.add("first_article")
        yield from skills & crew.lacking
