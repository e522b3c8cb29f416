"""Visits left open: a plate stays in the mill, its cut over, until somebody comes with the next one.

An operator who is busy goes to a mill once: the plate that is ready goes in as the other comes out, and what came out is unloaded
while the mill cuts. Were pull and unload booked with the cut, as for a run that stands alone, later runs would have to be fitted
around a walk that is of no use yet. So they are left unbooked where the order's habits say so, and follow from the next plate
(`fit_exchange`, `open_visit`), or from the end of what the order claims (`end_visits`).
"""

from __future__ import annotations

from platerota_solver.kernel.booking import enter_sequence, is_free, take, take_cut
from platerota_solver.kernel.finishing import feeds_itself, finish_pieces
from platerota_solver.kernel.fitting import earliest_cut, find_worker
from platerota_solver.kernel.spans import NEVER, compiled, give_back
from platerota_solver.kernel.state import (
    BLAMED,
    CARRIER,
    CUT_AT,
    CUT_END,
    FIRST_PIECES,
    ITEM,
    LAST_PIECES,
    LOAD_AT,
    LOAD_BY,
    LOAD_END,
    MACHINE,
    PLACE_AT,
    PLACE_BY,
    PLACE_END,
    PULL_AT,
    PULL_BY,
    PULL_END,
    SETUP_AT,
    SETUP_BY,
    SETUP_END,
    SETUPS,
    UNLOAD_AT,
    UNLOAD_BY,
    UNLOAD_END,
    WAITING_FROM,
    Choices,
    State,
)
from platerota_solver.problem import EXCHANGE, LOAD, SETUP, UNLOAD, Arrays, Ints


@compiled
def unload_room(p: Arrays, c: Choices, order: int, machine: int, fixture: int) -> int:
    """Seconds kept free between a pull and its unload, so that the spindle is served first: for a place, or for a setup too."""
    if c.room[order] == 0:
        return 0
    room = p.m_place[machine]
    if c.room[order] == 2:
        longest = 0
        for after in range(p.f_cycle.shape[0]):
            longest = max(longest, p.setup[machine, fixture + 1, after])
        room += longest
    return room


@compiled
def may_wait(p: Arrays, s: State, carrier: int, machine: int, item: int) -> bool:
    """Whether pieces of `item` may stay in the mill after their cut: nothing hangs on their unload before the order's next op.

    Only where by hand one plate after the other is cut: elsewhere one goes in while another is there, or never goes out.
    """
    if s.one_plate[machine] == 0 or p.p_stays[p.c_plate[carrier]] >= 0:
        return False
    if p.i_first[item] and s.begun[item] == 0:
        return False
    return not feeds_itself(p, p.c_fixture[carrier], item)


@compiled
def is_exchange(p: Arrays, s: State, row: Ints) -> bool:
    """Whether a run is placed as the plate of the visit open on its machine is pulled."""
    number = s.visit[row[MACHINE]]
    return number >= 0 and s.lent[p.c_plate[row[CARRIER]]] != row[MACHINE] and row[PLACE_AT] >= s.runs[number, CUT_END]


@compiled
def fit_exchange(
    p: Arrays, s: State, carrier: int, machine: int, load: int, cut: int, unload: int, t: int, cut_from: int, limit: int, row: Ints,
) -> bool:
    """The earliest run on a machine where a visit is open, its plate placed as the other one is pulled (F2, F4, F7, F8, F11).

    The pull comes at once before the place, unless somebody is free for it sooner. When the new plate is pulled and unloaded is
    not known yet: the row says when it could be at the earliest.
    """
    plate, fixture = p.c_plate[carrier], p.c_fixture[carrier]
    before = s.runs[s.visit[machine]]
    opened, held, spindle = p.l_open[plate], p.l_plate[plate], p.l_spindle[machine]
    also = p.l_open[p.c_plate[before[CARRIER]]]
    low, high = s.off[held], s.off[held] + s.count[held]
    if low == high or s.end[high - 1] < p.horizon[0]:
        return False  # the plate is wanted later by somebody else
    row[CARRIER], row[MACHINE] = carrier, machine
    row[LOAD_BY], row[LOAD_AT] = find_worker(s, LOAD, max(t, s.start[high - 1]), load, opened, -1, -1, -1, 0, 0)
    shortest = load + p.m_place[machine] + cut + p.m_pull[machine] + unload
    if row[LOAD_AT] == NEVER or row[LOAD_AT] + shortest > limit:
        return False
    row[LOAD_END] = row[LOAD_AT] + load
    cut_end = before[CUT_END]
    unbooked = s.lent[plate] >= 0 or (p.c_build[carrier] > 0 and s.built[carrier, 0] < 0)  # other work of this run's people
    setup_from = t if unbooked else cut_end
    needed = p.setup[machine, p.c_fixture[before[CARRIER]] + 1, fixture]
    row[SETUP_BY], row[SETUP_AT], row[SETUP_END] = -1, -1, -1
    ready = max(row[LOAD_END], cut_end)
    if needed > 0:
        row[SETUP_BY], row[SETUP_AT] = find_worker(
            s, SETUP, max(cut_end, setup_from), needed, spindle, -1, -1, row[LOAD_BY], row[LOAD_AT], row[LOAD_END])
        if row[SETUP_AT] == NEVER:
            return False
        row[SETUP_END] = row[SETUP_AT] + needed
        ready = max(ready, row[SETUP_END])
    pull, place = p.m_pull[machine], p.m_place[machine]
    lead = pull
    if needed == 0 and not unbooked and ready >= cut_end + pull:
        _, out = find_worker(s, EXCHANGE, cut_end, pull, spindle, also, -1, row[LOAD_BY], row[LOAD_AT], row[LOAD_END])
        if out + pull <= ready:
            lead = 0
    row[PLACE_BY], at = find_worker(s, EXCHANGE, ready, lead + place, spindle, opened, also, -1, 0, 0)
    if at == NEVER:
        return False
    row[PLACE_AT] = at + lead
    row[PLACE_END] = row[PLACE_AT] + place
    row[CUT_AT] = earliest_cut(p, s, machine, opened, max(row[PLACE_END], cut_from), cut)
    row[CUT_END] = row[CUT_AT] + cut
    if row[CUT_END] > limit:
        return False
    row[PULL_BY], row[PULL_AT] = find_worker(s, EXCHANGE, row[CUT_END], pull, spindle, opened, -1, -1, 0, 0)
    row[PULL_END] = row[PULL_AT] + pull
    row[UNLOAD_BY], row[UNLOAD_AT] = find_worker(s, UNLOAD, row[PULL_END], unload, opened, -1, -1, -1, 0, 0)
    row[UNLOAD_END] = row[UNLOAD_AT] + unload
    return row[UNLOAD_END] <= limit


@compiled
def stays_open(p: Arrays, s: State, row: Ints) -> bool:
    """Whether nothing is booked behind a run on its machine and its plate, so that they may wait as long as it takes."""
    return (
        is_free(s, p.l_table[row[MACHINE]], row[PLACE_AT], p.horizon[0])
        and is_free(s, p.l_plate[p.c_plate[row[CARRIER]]], row[LOAD_AT], p.horizon[0])
    )


@compiled
def open_visit(p: Arrays, s: State, c: Choices, number: int, row: Ints) -> bool:
    """Book a run up to its cut; plate and table are its own to the horizon's end. False where the plate it drives out cannot end."""
    machine = row[MACHINE]
    spindle, plate = p.l_spindle[machine], p.c_plate[row[CARRIER]]
    take(s, p.l_plate[plate], row[LOAD_AT], p.horizon[0])
    take(s, row[LOAD_BY], row[LOAD_AT], row[LOAD_END])
    if row[SETUP_AT] >= 0:
        take(s, row[SETUP_BY], row[SETUP_AT], row[SETUP_END])
        take(s, spindle, row[SETUP_AT], row[SETUP_END])
        s.counts[SETUPS] += 1
    before = s.visit[machine]
    if before >= 0:
        pull_out(p, s, s.runs[before], row[PLACE_BY], row[PLACE_AT])
    take(s, row[PLACE_BY], row[PLACE_AT], row[PLACE_END])
    take(s, spindle, row[PLACE_AT], row[PLACE_END])
    take_cut(p, s, machine, row[CUT_AT], row[CUT_END])
    fits = before < 0 or unload_out(p, s, s.runs[before], 0)
    take(s, p.l_table[machine], row[PLACE_AT], p.horizon[0])
    enter_sequence(p, s, machine, number, row)
    s.visit[machine], s.lent[plate] = number, machine
    return fits


@compiled
def pull_out(p: Arrays, s: State, row: Ints, place_by: int, place_at: int) -> bool:
    """Book the pull of an open visit's run: as soon as somebody can, at the latest before the next place, by who does that.

    With `place_at` -1 nothing comes after it; False where it is not possible within the horizon then.
    """
    machine = row[MACHINE]
    opened, length = p.l_open[p.c_plate[row[CARRIER]]], p.m_pull[machine]
    row[PULL_BY], row[PULL_AT] = find_worker(s, EXCHANGE, row[CUT_END], length, p.l_spindle[machine], opened, -1, -1, 0, 0)
    if place_at >= 0 and row[PULL_AT] > place_at - length:
        row[PULL_BY], row[PULL_AT] = place_by, place_at - length
    if row[PULL_AT] == NEVER:
        return False
    row[PULL_END] = row[PULL_AT] + length
    take(s, row[PULL_BY], row[PULL_AT], row[PULL_END])
    take(s, p.l_spindle[machine], row[PULL_AT], row[PULL_END])
    give_back(s, p.l_table[machine], row[PULL_END], p.horizon[0])
    return True


@compiled
def no_end(p: Arrays, s: State, row: Ints) -> bool:
    """Note that a visit finds no end within the horizon, and whose order it is: not always the one that claims resources now."""
    s.counts[BLAMED] = 1 + p.i_order[s.pieces[row[FIRST_PIECES], ITEM]]
    return False


@compiled
def unload_out(p: Arrays, s: State, row: Ints, room: int) -> bool:
    """Book the unload of a run that was pulled, `room` seconds later or more, and what follows it; False past the horizon."""
    plate = p.c_plate[row[CARRIER]]
    length = row[UNLOAD_END] - row[UNLOAD_AT]
    by, at = find_worker(s, UNLOAD, row[PULL_END] + room, length, p.l_open[plate], -1, -1, -1, 0, 0)
    s.visit[row[MACHINE]], s.lent[plate] = -1, -1
    if at == NEVER or at + length > p.horizon[0]:
        return no_end(p, s, row)
    row[UNLOAD_BY], row[UNLOAD_AT], row[UNLOAD_END] = by, at, at + length
    take(s, by, at, at + length)
    give_back(s, p.l_plate[plate], row[UNLOAD_END], p.horizon[0])
    fits = True
    for k in range(row[FIRST_PIECES], row[LAST_PIECES]):
        fits = finish_pieces(p, s, k, row[UNLOAD_END], 0) and fits
    s.counts[WAITING_FROM] = min(s.counts[WAITING_FROM], row[FIRST_PIECES])  # their bench work is not booked yet
    return fits


@compiled
def alone_room(p: Arrays, s: State, c: Choices, row: Ints) -> int:
    """What the habit of a run's order keeps free between its pull and its unload."""
    order = p.i_order[s.pieces[row[FIRST_PIECES], ITEM]]
    return unload_room(p, c, order, row[MACHINE], p.c_fixture[row[CARRIER]])


@compiled
def lift(p: Arrays, s: State, c: Choices, machine: int) -> bool:
    """Give back plate and table of an open visit from where it can end at the earliest, to look at what could follow."""
    row = s.runs[s.visit[machine]]
    opened = p.l_open[p.c_plate[row[CARRIER]]]
    _, pulled = find_worker(s, EXCHANGE, row[CUT_END], p.m_pull[machine], p.l_spindle[machine], opened, -1, -1, 0, 0)
    if pulled == NEVER:
        return False
    length = row[UNLOAD_END] - row[UNLOAD_AT]
    row[PULL_AT], row[PULL_END] = pulled, pulled + p.m_pull[machine]
    _, row[UNLOAD_AT] = find_worker(s, UNLOAD, row[PULL_END] + alone_room(p, s, c, row), length, opened, -1, -1, -1, 0, 0)
    row[UNLOAD_END] = row[UNLOAD_AT] + length
    if row[UNLOAD_END] > p.horizon[0]:
        return False
    give_back(s, p.l_table[machine], row[PULL_END], p.horizon[0])
    give_back(s, p.l_plate[p.c_plate[row[CARRIER]]], row[UNLOAD_END], p.horizon[0])
    return True


@compiled
def put_down(p: Arrays, s: State, machine: int) -> None:
    """Undo `lift`."""
    row = s.runs[s.visit[machine]]
    take(s, p.l_table[machine], row[PULL_END], p.horizon[0])
    take(s, p.l_plate[p.c_plate[row[CARRIER]]], row[UNLOAD_END], p.horizon[0])


@compiled
def end_visit(p: Arrays, s: State, c: Choices, machine: int) -> bool:
    """Book pull and unload of the run that stands open on a machine though no plate comes for it; False past the horizon."""
    row = s.runs[s.visit[machine]]
    if not pull_out(p, s, row, -1, -1):
        s.visit[machine], s.lent[p.c_plate[row[CARRIER]]] = -1, -1
        return no_end(p, s, row)
    return unload_out(p, s, row, alone_room(p, s, c, row))


@compiled
def end_visits(p: Arrays, s: State, c: Choices, order: int, but: int) -> bool:
    """End every open visit of an order (-1: of all) but those of item `but`, the one whose cut ends first before the others."""
    fits = True
    while True:
        first = -1
        for machine in range(s.visit.shape[0]):
            number = s.visit[machine]
            if number < 0:
                continue
            item = s.pieces[s.runs[number, FIRST_PIECES], ITEM]
            if item == but or (order >= 0 and p.i_order[item] != order):
                continue
            if first < 0 or s.runs[number, CUT_END] < s.runs[s.visit[first], CUT_END]:
                first = machine
        if first < 0:
            return fits
        fits = end_visit(p, s, c, first) and fits
