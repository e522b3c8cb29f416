"""Where one run fits earliest: load, place, cut, pull and unload, with the setup it needs, around all that is booked.

`fit_run` writes the run's times into a row of run columns and books nothing; `commit_run` (kernel.booking) books such a row. The rules of
the floor that each function keeps are named in its docstring.
"""

from __future__ import annotations

from platerota_solver.kernel.spans import NEVER, compiled, row_at, seek_all, seek_list
from platerota_solver.kernel.state import (
    CARRIER,
    CUT_AT,
    CUT_END,
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
    SEQ_END,
    SEQ_FIXTURE,
    SEQ_RUN,
    SEQ_START,
    SETUP_AT,
    SETUP_BY,
    SETUP_END,
    UNLOAD_AT,
    UNLOAD_BY,
    UNLOAD_END,
    State,
)
from platerota_solver.problem import EXCHANGE, LOAD, SETUP, UNLOAD, Arrays, Ints

MANY = 6
"""People of a skill past which a look at the spindle is cheaper than one at all of them, measured."""


@compiled
def find_worker(
    s: State, skill: int, t: int, length: int, l1: int, l2: int, l3: int, busy: int, busy_from: int, busy_to: int,
) -> tuple[int, int]:
    """The worker list and the earliest start of hand work (F11), also free in lists l1, l2 and l3.

    List `busy` is taken from busy_from to busy_to besides what is booked: work of the same run that is not booked yet.
    Among those who can start at the same instant the one who is named first does it.
    """
    best, at, free, agreed = -1, NEVER, t, 0
    if l1 >= 0:
        free = seek_all(s, l1, l2, l3, -1, t, length, NEVER, 0)
        if free == NEVER:
            return -1, NEVER
        agreed = 1 + (1 if l2 >= 0 else 0) + (1 if l3 >= 0 else 0)
    for k in range(s.worker_count[skill]):
        number = s.workers[skill, k]
        start = seek_all(s, number, l1, l2, l3, free, length, at, agreed)
        if number == busy:
            while start < min(at, busy_to) and start + length > busy_from:
                start = seek_all(s, number, l1, l2, l3, busy_to, length, at, 0)
        if start < at:
            best, at = number, start
            if at == free:
                break  # nobody starts sooner
    return best, at


@compiled
def earliest_cut(p: Arrays, s: State, machine: int, opened: int, t: int, length: int) -> int:
    """The earliest cut of `length` seconds from t: free spindle, the automatic wait, night limits, closures (F6, F7, F9, F17)."""
    pad = p.m_exchange[machine]
    spindle = p.l_spindle[machine]
    at = t
    while True:
        free = seek_list(s, spindle, at, length + pad)
        if free == NEVER:
            return NEVER
        at = seek_all(s, p.l_cut[machine], opened, -1, -1, free, length, NEVER, 0)
        if at == NEVER or at == free:
            return at


@compiled
def last_cut_before(s: State, machine: int, t: int) -> int:
    """The place in the machine's sequence of its last cut that starts at or before t, -1 where none does."""
    low, high = 0, s.sequence_count[machine]
    while low < high:
        middle = (low + high) >> 1
        if s.sequence[machine, middle, SEQ_START] <= t:
            low = middle + 1
        else:
            high = middle
    return low - 1


@compiled
def table_free_from(p: Arrays, s: State, machine: int, a: int, b: int) -> int:
    """`a` where a plate may stand on the machine over ``[a, b)`` (F6), else the next instant worth trying."""
    if p.m_places[machine] == 1:
        number = p.l_table[machine]
        low, high = s.off[number], s.off[number] + s.count[number]
        row = row_at(s.end, low, high, a)
        if row < high and s.start[row] <= a:
            if s.end[row] >= b:
                return a
            row += 1
        return s.start[row] if row < high else NEVER
    crowd, next_end = 0, NEVER
    for k in range(s.table_count[machine]):
        first, last = s.table[machine, k, 0], s.table[machine, k, 1]
        if first < b and last > a:
            level = 1
            peak = first if first > a else a
            for other in range(s.table_count[machine]):
                if other != k and s.table[machine, other, 0] <= peak < s.table[machine, other, 1]:
                    level += 1
            crowd = max(crowd, level)
            next_end = min(next_end, last)
    return a if crowd < p.m_places[machine] else next_end


@compiled
def previous_fixture(p: Arrays, s: State, machine: int, place: int) -> int:
    """The fixture of the cut at `place` of the sequence; before the first one what the floor says (F8)."""
    return s.sequence[machine, place, SEQ_FIXTURE] if place >= 0 else p.m_last[machine]


@compiled
def next_setup_stays(p: Arrays, s: State, machine: int, place: int, fixture: int, cut_end: int) -> bool:
    """Whether the cut after `place` may keep (or drop) its setup when `fixture` is cut in between (F8)."""
    if place + 1 >= s.sequence_count[machine]:
        return True
    after = s.sequence[machine, place + 1, SEQ_FIXTURE]
    now = p.setup[machine, previous_fixture(p, s, machine, place) + 1, after]
    then = p.setup[machine, fixture + 1, after]
    if then == 0:
        return True
    return now == then and s.runs[s.sequence[machine, place + 1, SEQ_RUN], SETUP_AT] >= cut_end


@compiled
def fit_on_machine(
    p: Arrays, s: State, machine: int, fixture: int, opened: int, t: int, setup_from: int, cut: int, cut_from: int, limit: int, row: Ints,
) -> bool:
    """Place, setup (not before setup_from), cut and pull from t on (F2, F6–F9, F11); False where the cut cannot end by `limit`."""
    spindle, station = p.l_spindle[machine], p.l_station[machine]
    table = p.l_table[machine] if p.m_places[machine] == 1 else -1
    busy, busy_from, busy_to = row[LOAD_BY], row[LOAD_AT], row[LOAD_END]
    single = p.m_places[machine] == 1
    at = t  # the place is tried from here on, the cut behind the cut that runs at `turn`
    turn = t
    automatic = p.m_auto[machine] == 1
    for _ in range(400):
        before = last_cut_before(s, machine, turn)
        needed = p.setup[machine, previous_fixture(p, s, machine, before) + 1, fixture]
        free_from = s.sequence[machine, before, SEQ_END] if before >= 0 else 0
        row[SETUP_BY], row[SETUP_AT], row[SETUP_END] = -1, -1, -1
        ready = max(at, free_from) if single else at  # with several positions a plate may wait on the machine (F6)
        cut_after = max(free_from, cut_from)
        set_up = max(free_from, setup_from) + needed if needed > 0 else 0
        soonest = max(cut_after, set_up, (ready if automatic else max(ready, set_up)) + p.m_place[machine])
        soonest = earliest_cut(p, s, machine, opened, soonest, cut)  # if people were free
        if soonest + cut > limit:
            return False
        if last_cut_before(s, machine, soonest) != before:
            turn = max(turn + 1, s.sequence[machine, before + 1, SEQ_START])
            at = max(at, turn) if single else at
            continue
        if needed > 0:
            row[SETUP_BY], row[SETUP_AT] = find_worker(s, SETUP, set_up - needed, needed, spindle, -1, -1, busy, busy_from, busy_to)
            if row[SETUP_AT] == NEVER:
                return False
            row[SETUP_END] = row[SETUP_AT] + needed
            cut_after = max(cut_after, row[SETUP_END])
            if not automatic:
                ready = max(at, row[SETUP_END])
        row[PLACE_BY], row[PLACE_AT] = find_worker(
            s, EXCHANGE, ready, p.m_place[machine], station, table, opened, row[SETUP_BY], row[SETUP_AT], row[SETUP_END])
        if row[PLACE_AT] == NEVER:
            return False
        row[PLACE_END] = row[PLACE_AT] + p.m_place[machine]
        cut_after = max(cut_after, row[PLACE_END])
        row[CUT_AT] = soonest if cut_after <= soonest else earliest_cut(p, s, machine, opened, cut_after, cut)
        row[CUT_END] = row[CUT_AT] + cut
        if row[CUT_END] > limit:
            return False
        same = last_cut_before(s, machine, row[CUT_AT])
        if same != before or not next_setup_stays(p, s, machine, before, fixture, row[CUT_END]):
            turn = max(turn + 1, s.sequence[machine, before + 1, SEQ_START])
            at = max(at, turn) if single else at
            continue
        row[PULL_BY], row[PULL_AT] = find_worker(s, EXCHANGE, row[CUT_END], p.m_pull[machine], station, opened, -1, -1, 0, 0)
        if row[PULL_AT] == NEVER:
            return False
        row[PULL_END] = row[PULL_AT] + p.m_pull[machine]
        again = table_free_from(p, s, machine, row[PLACE_AT], row[PULL_END])
        if again == row[PLACE_AT]:
            return True
        if again == NEVER:
            return False
        at = max(again, at + 1)
        turn = max(turn, at)
    return False


@compiled
def fit_staying(p: Arrays, s: State, machine: int, fixture: int, opened: int, cut: int, cut_from: int, row: Ints) -> bool:
    """Setup and cut of a plate that stays in the machine (F8, F10), after its load."""
    spindle = p.l_spindle[machine]
    busy, busy_from, busy_to = row[LOAD_BY], row[LOAD_AT], row[LOAD_END]
    row[PLACE_BY], row[PLACE_AT], row[PLACE_END] = -1, row[LOAD_END], row[LOAD_END]
    at = row[LOAD_END]
    for _ in range(400):
        before = last_cut_before(s, machine, at)
        needed = p.setup[machine, previous_fixture(p, s, machine, before) + 1, fixture]
        row[SETUP_BY], row[SETUP_AT], row[SETUP_END] = -1, -1, -1
        ready = at
        if needed > 0:
            row[SETUP_BY], row[SETUP_AT] = find_worker(s, SETUP, at, needed, spindle, -1, -1, busy, busy_from, busy_to)
            if row[SETUP_AT] == NEVER:
                return False
            row[SETUP_END] = row[SETUP_AT] + needed
            ready = row[SETUP_END]
        row[CUT_AT] = earliest_cut(p, s, machine, opened, max(ready, cut_from), cut)
        if row[CUT_AT] == NEVER:
            return False
        row[CUT_END] = row[CUT_AT] + cut
        same = last_cut_before(s, machine, row[CUT_AT])
        if same == before and next_setup_stays(p, s, machine, before, fixture, row[CUT_END]):
            row[PULL_BY], row[PULL_AT], row[PULL_END] = -1, row[CUT_END], row[CUT_END]
            return True
        at = max(at + 1, s.sequence[machine, before + 1, SEQ_START])
    return False


@compiled
def fit_run(
    p: Arrays, s: State, carrier: int, machine: int, load: int, cut: int, unload: int, t: int, cut_from: int, room: int, limit: int,
    row: Ints,
) -> bool:
    """The earliest run of a carrier on a machine with its load at or after t and its unload ended by `limit` (F2, F4, F17).

    Between pull and unload there are `room` seconds to place the next plate first; `tidy` takes them back where nothing came.
    Where its plate is still to be built, or to be unloaded after an open visit, the setup waits for that too: that work is not
    booked yet, its operator not known busy.
    """
    plate = p.c_plate[carrier]
    fixture = p.c_fixture[carrier]
    opened = p.l_open[plate]
    held = p.l_plate[plate]
    stays = p.p_stays[plate] >= 0
    row[CARRIER], row[MACHINE] = carrier, machine
    setup_from = t if s.lent[plate] >= 0 or (p.c_build[carrier] > 0 and s.built[carrier, 0] < 0) else 0
    shortest = load + cut + unload + (0 if stays else p.m_place[machine] + p.m_pull[machine])
    low, high = s.off[held], s.off[held] + s.count[held]
    for k in range(row_at(s.end, low, high, t), high):
        begin, close = max(t, s.start[k]), s.end[k]
        if begin + shortest > limit:
            return False
        if close - begin < shortest:
            continue
        if stays or s.loader[0] != carrier or s.loader[1] != begin or s.loader[2] != load:
            row[LOAD_BY], row[LOAD_AT] = find_worker(s, LOAD, begin, load, opened, p.l_spindle[machine] if stays else -1, -1, -1, 0, 0)
            s.loader[0], s.loader[1], s.loader[2], s.loader[3], s.loader[4] = carrier, begin, load, row[LOAD_BY], row[LOAD_AT]
        else:
            row[LOAD_BY], row[LOAD_AT] = s.loader[3], s.loader[4]
        if row[LOAD_AT] == NEVER or row[LOAD_AT] + shortest > limit:
            return False
        row[LOAD_END] = row[LOAD_AT] + load
        if s.worker_count[EXCHANGE] > MANY and limit < p.horizon[0] and not stays:  # is this spindle free in time to beat the best?
            soonest = earliest_cut(p, s, machine, opened, max(cut_from, row[LOAD_END] + p.m_place[machine]), cut)
            if soonest == NEVER or soonest + cut + p.m_pull[machine] + unload > limit:
                return False
        if row[LOAD_AT] + shortest > close:
            continue
        if stays:
            if not fit_staying(p, s, machine, fixture, opened, cut, cut_from, row):
                return False
        elif not fit_on_machine(p, s, machine, fixture, opened, row[LOAD_END], setup_from, cut, cut_from, limit, row):
            return False
        wait = max(0, p.m_exchange[machine] - unload) if stays else room  # the automatic wait is over before the unload is (F7)
        row[UNLOAD_BY], row[UNLOAD_AT] = find_worker(
            s, UNLOAD, row[PULL_END] + wait, unload, opened, p.l_spindle[machine] if stays else -1, -1, -1, 0, 0)
        row[UNLOAD_END] = row[UNLOAD_AT] + unload
        if row[UNLOAD_END] <= close and row[UNLOAD_END] <= limit:
            return True
    return False
