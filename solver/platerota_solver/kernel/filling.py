"""What goes into a run: pieces of the order it is made for, then of others whose nests would stay empty."""

from __future__ import annotations

from platerota_solver.kernel.spans import NEVER, compiled
from platerota_solver.kernel.state import CARRIER, MACHINE, MAX_KINDS, Choices, State
from platerota_solver.kernel.supply import supply_by, supply_time
from platerota_solver.problem import Arrays, Ints


@compiled
def primary_fill(p: Arrays, s: State, c: Choices, item: int, carrier: int, machine: int) -> tuple[int, int]:
    """Pieces of `item` for a run of its own order, and the instant from which they can be loaded (F3, F5, F14)."""
    order, step = p.i_order[item], p.i_step[item]
    pieces = min(s.left[item], p.nests[p.c_fixture[carrier], step])
    if p.s_stock[step] > 0:
        pieces = min(pieces, p.room[carrier, machine] // p.s_stock[step])
    if pieces <= 0:
        return 0, NEVER
    if p.i_ready[item] < 0:
        return pieces, p.o_release[order]
    ready = supply_time(s, item, pieces)
    if c.wait[order] == 0:
        ready = supply_time(s, item, 1)
        pieces = min(pieces, supply_by(s, item, ready))
    return pieces, ready


@compiled
def fill_others(p: Arrays, s: State, c: Choices, token: int, item: int, row: Ints, pieces: int, ready: int, kinds: Ints) -> int:
    """Fill the other nests with what is there at `ready`: other ops of the order, then later orders (F3, F14).

    `kinds[k]` becomes (item, pieces) with the primary one first; the number of rows is returned.
    """
    carrier, machine = row[CARRIER], row[MACHINE]
    fixture = p.c_fixture[carrier]
    room = p.room[carrier, machine] - pieces * p.s_stock[p.i_step[item]]
    kinds[0, 0], kinds[0, 1] = item, pieces
    size = 1
    order = p.i_order[item]
    for other in range(p.o_items[order, 0], p.o_items[order, 1]):
        if other != item and size < MAX_KINDS:
            size, room = fill_with(p, s, other, fixture, ready, room, kinds, size)
    if c.share[order] == 0:
        return size
    last = order
    for k in range(token + 1, c.tokens.shape[0]):
        later = c.tokens[k]
        if later == last or later == order or c.skip[later] or s.placed[later]:
            continue
        if c.no_carrier[later, carrier] or c.no_machine[later, machine]:
            continue
        last = later
        for other in range(p.o_items[later, 0], p.o_items[later, 1]):
            if p.nests[fixture, p.i_step[other]] > 0 and size < MAX_KINDS:
                size, room = fill_with(p, s, other, fixture, ready, room, kinds, size)
    return size


@compiled
def fill_with(p: Arrays, s: State, item: int, fixture: int, ready: int, room: int, kinds: Ints, size: int) -> tuple[int, int]:
    """Add pieces of `item` that are there at `ready` to the nests still empty; the new number of rows and mass left."""
    step = p.i_step[item]
    nests = p.nests[fixture, step]
    if nests == 0 or s.left[item] == 0:
        return size, room
    for k in range(size):
        if kinds[k, 0] == item:
            return size, room
        if p.i_step[kinds[k, 0]] == step:
            nests -= kinds[k, 1]
    pieces = min(s.left[item], nests)
    if p.i_ready[item] >= 0:
        pieces = min(pieces, supply_by(s, item, ready))
    elif p.o_release[p.i_order[item]] > ready:
        return size, room
    if p.s_stock[step] > 0:
        pieces = min(pieces, room // p.s_stock[step])
    if pieces <= 0:
        return size, room
    kinds[size, 0], kinds[size, 1] = item, pieces
    return size + 1, room - pieces * p.s_stock[step]


@compiled
def run_seconds(p: Arrays, fixture: int, machine: int, kinds: Ints, size: int) -> tuple[int, int, int]:
    """Load, cut and unload seconds of a run (F1)."""
    pieces, cut = 0, p.f_cycle[fixture]
    for k in range(size):
        pieces += kinds[k, 1]
        cut += kinds[k, 1] * p.s_cut[p.i_step[kinds[k, 0]]]
    scaled = -((-p.m_factor[machine, 0] * cut) // p.m_factor[machine, 1])
    return p.f_load[fixture] + pieces * p.f_load_piece[fixture], scaled, p.f_unload[fixture] + pieces * p.f_unload_piece[fixture]
