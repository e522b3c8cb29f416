"""Which run an order gets next: every carrier and machine looked at, the best taken."""

from __future__ import annotations

from platerota_solver.kernel.filling import fill_others, primary_fill, run_seconds
from platerota_solver.kernel.fitting import fit_run
from platerota_solver.kernel.holding import hold_back, holdable
from platerota_solver.kernel.pausing import find_pausing
from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.kernel.state import CARRIER, CUT_END, HELD, LOAD_AT, MACHINE, PLACE_AT, UNLOAD_END, Choices, State
from platerota_solver.kernel.visits import fit_exchange, lift, put_down, unload_room
from platerota_solver.problem import BUILD, Arrays, Ints


@compiled
def copy_run(source: Ints, target: Ints) -> None:
    """Copy a row of run columns."""
    for column in range(source.shape[0]):
        target[column] = source[column]


@compiled
def build_time(p: Arrays, s: State, carrier: int, slot: Ints) -> int:
    """When a carrier is ready for its first load: its build's end (F16), 0 where the plate carries the fixture."""
    if p.c_build[carrier] == 0:
        return 0
    if s.built[carrier, 0] >= 0:
        return s.built[carrier, 2]
    held = p.l_plate[p.c_plate[carrier]]
    if s.count[held] != 1 or s.start[s.off[held]] != 0:
        return NEVER  # the blank is taken by another build
    slot[0], slot[1], slot[2] = find_pausing(p, s, BUILD, 0, p.c_build[carrier], p.l_open[p.c_plate[carrier]])
    return slot[2] if slot[0] >= 0 else NEVER


@compiled
def best_run(p: Arrays, s: State, c: Choices, token: int, item: int, row: Ints, trial: Ints, kinds: Ints, trial_kinds: Ints) -> int:
    """The best next run for `item` over every carrier and machine; its number of kinds, 0 where nothing fits.

    Runs are compared by the instant they end, less what their pieces would take at the pace of a full plate (so that a
    plate with more nests is preferred when it pays), plus a minute for leaving the machine the order used last.
    """
    order, step = p.i_order[item], p.i_step[item]
    best, size = NEVER, 0
    slot = s.scratch[4]
    for k in range(p.step_from[step], p.step_from[step + 1]):
        carrier = p.step_carriers[k]
        if c.no_carrier[order, carrier] or (p.c_build[carrier] > 0 and c.build[carrier] == 0):
            continue
        built = build_time(p, s, carrier, slot)
        if built == NEVER:
            continue
        fixture = p.c_fixture[carrier]
        home = s.lent[p.c_plate[carrier]]
        if home >= 0:  # its plate stands in a mill, the cut over: what could follow once it is unloaded?
            if not lift(p, s, c, home):
                continue
            built = s.runs[s.visit[home], UNLOAD_END]
        s.loader[0] = -1
        for machine in range(p.m_place.shape[0]):
            if not p.fits[carrier, machine] or c.no_machine[order, machine]:
                continue
            pieces, ready = primary_fill(p, s, c, item, carrier, machine)
            if pieces == 0 or ready == NEVER:
                continue
            trial[CARRIER], trial[MACHINE], trial[HELD] = carrier, machine, -1
            pace = p.s_cut[step] + (p.f_load_piece[fixture] + p.f_unload_piece[fixture])
            pace += (p.f_cycle[fixture] + p.f_load[fixture] + p.f_unload[fixture]) // max(1, p.nests[fixture, step])
            credit = pieces * pace * c.hurry[order] // 100
            penalty = 60 if s.machine_of[order] not in (-1, machine) else 0
            limit = min(p.horizon[0], NEVER if best == NEVER else best + credit - penalty - 1)
            held = holdable(p, s, machine)
            if held >= 0 and s.runs[held, CUT_END] + p.m_place[machine] + p.m_pull[machine] > limit:
                held = -1
            if held >= 0:
                limit = p.horizon[0]  # with a cut held back for it the run may come sooner than it fits without
            found = fill_and_fit(p, s, c, token, item, pieces, max(ready, built), limit, trial, trial_kinds)
            if found and held >= 0:
                hold_back(p, s, held, latest_from(s, trial_kinds, found), trial, s.scratch[2])
                s.loader[0] = -1
            if found:
                key = trial[UNLOAD_END] - credit + penalty
                if key < best:
                    best, size = key, found
                    copy_run(trial, row)
                    if trial[HELD] >= 0:
                        copy_run(s.scratch[2], s.scratch[3])
                    for j in range(found):
                        kinds[j, 0], kinds[j, 1] = trial_kinds[j, 0], trial_kinds[j, 1]
        if home >= 0:
            put_down(p, s, home)
    return size


@compiled
def latest_from(s: State, kinds: Ints, size: int) -> int:
    """The instant before which none of these pieces may be cut (F15)."""
    latest = 0
    for k in range(size):
        latest = max(latest, s.cut_from[kinds[k, 0]])
    return latest


@compiled
def fit_somehow(
    p: Arrays, s: State, c: Choices, item: int, load: int, cut: int, unload: int, ready: int, cut_from: int, limit: int, row: Ints,
) -> bool:
    """The earliest run of the carrier and machine in `row`: by itself, or in exchange for the plate of an open visit."""
    carrier, machine = row[CARRIER], row[MACHINE]
    room = unload_room(p, c, p.i_order[item], machine, p.c_fixture[carrier])
    number, home = s.visit[machine], s.lent[p.c_plate[carrier]]
    alone = number < 0 or home == machine or s.runs[number, PLACE_AT] > ready + load + cut
    if alone and fit_run(p, s, carrier, machine, load, cut, unload, ready, cut_from, room, limit, row):
        return True
    if number < 0 or home == machine:
        return False
    return fit_exchange(p, s, carrier, machine, load, cut, unload, ready, cut_from, limit, row)


@compiled
def fill_and_fit(
    p: Arrays, s: State, c: Choices, token: int, item: int, pieces: int, ready: int, limit: int, trial: Ints, kinds: Ints,
) -> int:
    """Fit a run of the primary pieces, then fill its other nests with what is there when its load starts; kinds, or 0."""
    carrier, machine = trial[CARRIER], trial[MACHINE]
    fixture = p.c_fixture[carrier]
    kinds[0, 0], kinds[0, 1] = item, pieces
    load, cut, unload = run_seconds(p, fixture, machine, kinds, 1)
    if not fit_somehow(p, s, c, item, load, cut, unload, ready, s.cut_from[item], limit, trial):
        return 0
    size = fill_others(p, s, c, token, item, trial, pieces, trial[LOAD_AT], kinds)
    if size == 1:
        return 1
    load, cut, unload = run_seconds(p, fixture, machine, kinds, size)
    from_cut = latest_from(s, kinds, size)
    slack = cut + load + unload
    if fit_somehow(p, s, c, item, load, cut, unload, ready, from_cut, min(p.horizon[0], limit + slack), trial):
        return size
    kinds[0, 0], kinds[0, 1] = item, pieces
    load, cut, unload = run_seconds(p, fixture, machine, kinds, 1)
    return 1 if fit_somehow(p, s, c, item, load, cut, unload, ready, s.cut_from[item], limit, trial) else 0
