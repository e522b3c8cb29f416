"""Orders that share plates, and when any set of them can be through: their plates go round for all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platerota_solver.bounds.calendar import Calendar, Floats, calendar, hands, with_gaps
from platerota_solver.bounds.profiles import Profile, Shop
from platerota_solver.problem import Ints, Problem

MOST = 7
"""Orders of one family that are looked at together: every set of them. A larger family is cut into pieces, which only relaxes."""


@dataclass(frozen=True)
class PlateFamily:
    """Orders with plates in common, directly or through others.

    Attributes
    ----------
    orders
        Rows of the orders.
    ready
        For every set of them, as bits: when the last of the set finishes, at the earliest.
    """

    orders: tuple[int, ...]
    ready: Floats


def plate_families(problem: Problem, shop: Shop) -> list[PlateFamily]:
    """Every order with work left, in one family."""
    families: list[tuple[set[int], list[int]]] = []
    for o, profiles in enumerate(shop.profiles):
        if not profiles:
            continue
        plates, orders = {plate for own in profiles for plate in own.stage.plates}, [o]
        apart = [family for family in families if not family[0] & plates]
        for held, others in families:
            if held & plates:
                plates |= held
                orders = others + orders
        families = [*apart, (plates, orders)]
    pieces = [sorted(orders)[at:at + MOST] for _, orders in families for at in range(0, len(orders), MOST)]
    return [PlateFamily(tuple(own), _ready(problem, shop, own)) for own in sorted(pieces)]


def _ready(problem: Problem, shop: Shop, orders: list[int]) -> Floats:
    """When each set can be through: no order before it could be alone, and all plates of a pool together no sooner than they
    have gone round for every run of the set, from the first release on; what follows a last unload comes after.
    """
    p, horizon = problem.arrays, int(shop.horizon)
    worked = hands(p)
    ready = np.zeros(1 << len(orders))
    calendars: dict[int, Calendar] = {}
    for chosen in range(1, 1 << len(orders)):
        own = [orders[k] for k in range(len(orders)) if chosen >> k & 1]
        at = float(max(shop.earliest[o] for o in own))
        profiles = [(o, profile) for o in own for profile in shop.profiles[o]]
        for pool in _pools(profiles):
            inside = [(o, profile) for o, profile in profiles if set(profile.stage.plates) <= pool]
            longest = int(max(profile.stage.longest for _, profile in inside)) + 1
            if longest not in calendars:
                calendars[longest] = calendar(with_gaps(worked, longest, horizon, [(0, horizon)]), horizon)
            begin = float(min(p.o_release[o] for o, _ in inside))
            work = sum(profile.stage.trip for _, profile in inside)
            end = float(calendars[longest].until(begin, work / len(pool)))
            at = max(at, end + min(profile.lag for _, profile in inside))
        ready[chosen] = at
    return ready


def _pools(profiles: list[tuple[int, Profile]]) -> set[frozenset[int]]:
    sets = {frozenset(profile.stage.plates) for _, profile in profiles}
    return sets | {frozenset(plate for own in sets for plate in own)}


def least_points(family: PlateFamily, priced: Floats, ends: Floats) -> tuple[float, list[int]]:
    """The least of Σ `priced` [order of the family, bucket] over finishes that the family allows, and each order's bucket.

    Let the orders finish in some sequence; the j-th is the last of the first j and finishes no earlier than that set can.
    Sets in turn, each with its last order: dynamic programming over sets (Held & Karp 1962) and buckets.
    """
    size, buckets = len(family.orders), len(ends)
    if size == 1:
        at = int(priced[0].argmin())
        return float(priced[0, at]), [at]
    best = np.zeros((1 << size, buckets))
    last = np.zeros((1 << size, buckets), dtype=np.int64)
    for chosen in range(1, 1 << size):
        first = int(np.searchsorted(ends, float(family.ready[chosen]) - 1e-6))
        members = [k for k in range(size) if chosen >> k & 1]
        options = np.stack([priced[k] + best[chosen ^ (1 << k)] for k in members])
        options[:, :first] = np.inf
        pick = np.argmin(options, axis=0)
        best[chosen] = np.minimum.accumulate(options[pick, np.arange(buckets)])
        last[chosen] = np.array(members)[pick]
    return float(best[-1, -1]), _buckets(best, last, priced)


def _buckets(best: Floats, last: Ints, priced: Floats) -> list[int]:
    """Each order's bucket in the best choice, from the last to finish to the first."""
    size, buckets = len(priced), len(priced[0])
    found, chosen, at = [0] * size, (1 << size) - 1, buckets - 1
    while chosen:
        at = int((best[chosen, :at + 1] <= best[chosen, at]).argmax())
        k = int(last[chosen, at])
        found[k] = at
        chosen ^= 1 << k
    return found
