"""Which stretch of the plan a page shows: all of it, a day of the shop, or a shift of a day; and the links to the others."""

from __future__ import annotations

from dataclasses import dataclass

from platerota_service.pictures.week import ShopDay, Week, shown
from platerota_shared.calendars import shift_days

SHIFT_MARGIN = 1_800
"""Seconds drawn before and after a shift: what was handed over, and what is left running."""


class NoSuchPart(Exception):
    """A page was asked for a day, shift, operator or machine that the plan does not have; `detail` says what it has."""

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.detail = detail


@dataclass(frozen=True, slots=True)
class View:
    """A stretch of time (UTC seconds), named; `day` and `shift` as the address gives them, None for the whole plan."""

    start: int
    end: int
    title: str
    day: str | None = None
    shift: str | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """A link of a page: its words, its address, more words for those who cannot see what stands around it."""

    text: str
    href: str
    current: bool = False
    note: str = ""


def day_key(week: Week, day: ShopDay) -> str:
    """The date on which a day of the shop begins, as addresses name it."""
    return week.local(day.start).date().isoformat()


def find_day(week: Week, key: str) -> ShopDay:
    """The day of that date.

    Raises
    ------
    NoSuchPart
    """
    days = {day_key(week, day): day for day in week.days}
    if key not in days:
        raise NoSuchPart(f"the plan has no day '{shown(key)}'; its days are {next(iter(days))} to {list(days)[-1]}")
    return days[key]


def find_view(week: Week, day: str | None, shift: str | None) -> View:
    """What an address asks to see.

    Raises
    ------
    NoSuchPart
        Where the plan has no such day, the day no such shift, or a shift is asked for without a day.
    """
    if day is None:
        if shift is not None:
            raise NoSuchPart("a shift is shown of a day: name the day too")
        return View(week.days[0].start, week.days[-1].end, "The whole plan")
    found = find_day(week, day)
    if shift is None:
        return View(found.start, found.end, found.title, day)
    shifts = _shifts(week, found)
    if shift not in shifts:
        raise NoSuchPart(f"{found.title} has no shift '{shown(shift)}'; it has {', '.join(shifts) or 'none'}")
    start, end, _people = shifts[shift]
    begin, stop = max(start - SHIFT_MARGIN, week.days[0].start), min(end + SHIFT_MARGIN, week.days[-1].end)
    return View(begin, stop, f"{found.title}, {shift}", day, shift)


def day_links(week: Week, view: View) -> list[Link]:
    """Links to the whole plan and to each of its days."""
    links = [Link("Whole plan", "?", view.day is None)]
    links += [Link(day.title, f"?day={day_key(week, day)}", day_key(week, day) == view.day and view.shift is None) for day in week.days]
    return links


def shift_links(week: Week, view: View) -> list[Link]:
    """Links to the shifts of the day that is shown; none where no day is."""
    if view.day is None:
        return []
    return [
        Link(key, f"?day={view.day}&shift={key}", key == view.shift, people)
        for key, (_start, _end, people) in _shifts(week, find_day(week, view.day)).items()
    ]


def _shifts(week: Week, day: ShopDay) -> dict[str, tuple[int, int, str]]:
    """The different shifts that start on a day: ``06:00-14:30`` -> start, end, who works in it."""
    people: dict[tuple[int, int], list[str]] = {}
    for who in week.request.shop.operators:
        for found in shift_days(week.request.shop, who.id, day.start, day.end):
            if day.start <= found.start < day.end:
                people.setdefault((found.start, found.end), []).append(shown(who.id) + (" (overtime)" if found.overtime else ""))
    return {
        f"{week.minute(start)}-{week.minute(end)}": (start, end, ", ".join(dict.fromkeys(names)))
        for (start, end), names in sorted(people.items())
    }
