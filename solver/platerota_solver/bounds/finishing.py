"""When can all orders be through, if mills and people are shared as fluids and plates go round in families?

Time is cut into buckets, each order finishes in one. An order that finishes by F has done at least `Profile.done` by every
instant before, whatever its runs are; added up over the orders this cannot exceed what a resource has had by then. With a
multiplier ≥ 0 for every resource and instant, for every plan

    score ≥ Σ_families least (points + Σ multiplier × work done) − Σ multiplier × capacity

because the plan's own finishes are among those that the least is taken over, and its work done fits the capacity (Lagrange
relaxation: Geoffrion 1974, Mathematical Programming Study 2:82–114). A finish inside a bucket counts with the points of the
bucket's first possible instant and the work asked for at its last. Any multipliers give a bound; `multipliers` looks for good ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platerota_solver.bounds.calendar import Calendar, Floats
from platerota_solver.bounds.families import least_points, plate_families
from platerota_solver.bounds.profiles import Profile, Shop
from platerota_solver.problem import Problem


@dataclass(frozen=True)
class Resource:
    """A pool of mills (rows), or all people, that some stages draw on and nothing else can give them."""

    kind: str
    users: list[tuple[int, Profile]]
    capacity: Floats
    pool: tuple[int, ...]


@dataclass(frozen=True)
class Choice:
    """One way for a family to finish: its points, and the work it asks of each resource by each instant."""

    family: int
    points: float
    work: list[Floats]


class Finishing:
    """The relaxation of one week.

    Parameters
    ----------
    instants
        Instants at which work and capacity are compared.
    buckets
        Buckets of finishes.
    """

    def __init__(self, problem: Problem, shop: Shop, instants: int, buckets: int) -> None:
        self.problem, self.shop = problem, shop
        self.grid = np.unique(np.concatenate([_even(shop, instants), _turns(shop, instants)]))
        self.ends = np.unique(np.concatenate([_even(shop, buckets), _turns(shop, buckets)]))
        self.families = plate_families(problem, shop)
        self.orders = [o for family in self.families for o in family.orders]
        self.resources = _resources(problem, shop, self.grid)
        rate = problem.request.settings.score.unplaced_order
        self.left_out = [rate * order.weight for order in problem.request.orders]
        self.points = {o: self._bucket_points(o) for o in self.orders}
        self.work = [{o: self._work(own, resource.kind) for o, own in _by_order(resource).items()} for resource in self.resources]

    def _bucket_points(self, order: int) -> Floats:
        """Points of a finish in each bucket, infinite where there can be none; the last is all that follows, or being left out."""
        shop, profiles = self.shop, self.shop.profiles[order]
        begins = np.concatenate([[0.0], np.floor(self.ends) + 1.0])  # a finish is a whole second after the bucket before
        first: Floats = np.maximum(begins, shop.earliest[order])
        if not any(own.stage.checks for own in profiles):  # then it finishes with an unload, in working time, and what follows
            unload, after = min(own.stage.unload for own in profiles), profiles[-1].stage.after
            first = np.maximum(first, shop.working.until(np.maximum(0.0, first - after - unload), unload) + after)
        late = np.maximum(0.0, first - float(self.problem.arrays.o_due[order]))
        points: Floats = self.problem.finish_rate[order] * first + self.problem.late_rate[order] * late
        points[:-1][first[:-1] > self.ends] = np.inf
        points[~np.isfinite(points)] = np.inf
        points[-1] = min(points[-1], self.left_out[order])
        return points

    def _work(self, profiles: list[Profile], kind: str) -> Floats:
        """Work done by each instant (columns) for a finish in each bucket (rows); none for the last bucket.

        From an instant to its finish an order gets no more hand work than all people together have time for.
        """
        total = np.zeros((len(self.ends) + 1, len(self.grid)))
        for own in profiles:
            total[:-1] += own.done(kind, self.ends, self.grid)
        if kind == "hand":
            people = self.shop.people
            left = np.maximum(0.0, people.seconds(self.ends)[:, None] - people.seconds(self.grid)[None, :])
            total[:-1] = np.maximum(total[:-1], sum(own.stage.hand for own in profiles) - left)
        return total

    def bound(self, weights: list[Floats]) -> tuple[float, list[Choice]]:
        """The bound that multipliers (by resource and instant) prove, and the finishes of each family that it takes."""
        priced = {o: self.points[o].copy() for o in self.orders}
        total, choices = self.settled, list[Choice]()
        for resource, work, weight in zip(self.resources, self.work, weights, strict=True):
            total -= float(weight @ resource.capacity)
            for o, needed in work.items():
                priced[o] += needed @ weight
        for number, family in enumerate(self.families):
            least, buckets = least_points(family, np.stack([priced[o] for o in family.orders]), np.append(self.ends, np.inf))
            total += least
            choices.append(self.choice(number, buckets))
        return total, choices

    def choice(self, number: int, buckets: list[int]) -> Choice:
        """The points and work of a family whose orders finish in these buckets."""
        orders = self.families[number].orders
        work = [np.zeros(len(self.grid)) for _ in self.resources]
        for o, at in zip(orders, buckets, strict=True):
            for k, by_order in enumerate(self.work):
                if o in by_order:
                    work[k] += by_order[o][at]
        return Choice(number, sum(float(self.points[o][at]) for o, at in zip(orders, buckets, strict=True)), work)

    def mills_until(self, resource: Resource, seconds: float) -> float:
        """When the mills of a pool have worked so many seconds and the last plate is unloaded."""
        p = self.problem.arrays
        begin = min(float(p.o_release[o]) + own.stage.load for o, own in resource.users)
        speed = (p.m_factor[:, 1] / p.m_factor[:, 0])[list(resource.pool)]
        mills = [self.shop.mills[m] for m in resource.pool]
        if len(p.floor_runs):
            begin = 0.0
        at = np.unique(np.concatenate([own.at for own in mills]))
        total = sum((f * (own.seconds(at) - own.seconds(begin)).clip(0) for f, own in zip(speed, mills, strict=True)), np.zeros(len(at)))
        end = float(Calendar(at, total).until(0.0, seconds))
        return end + min(own.stage.unload + own.lag for _, own in resource.users)

    @property
    def settled(self) -> float:
        """Points of the orders with nothing left to load, which finish at `now` at the earliest."""
        late = self.problem.late_rate
        due = self.problem.arrays.o_due
        return sum(float(late[o]) * max(0, -int(due[o])) for o in range(len(due)) if not self.shop.profiles[o])

    def nothing(self) -> list[Floats]:
        """Multipliers of zero: every family alone in the empty shop."""
        return [np.zeros(len(self.grid)) for _ in self.resources]


def _last(shop: Shop) -> float:
    """An instant by which everything could well be done; what finishes later counts as if it finished then."""
    hand = sum(own.stage.hand for profiles in shop.profiles for own in profiles)
    mill = sum(own.stage.mill for profiles in shop.profiles for own in profiles)
    last = float(shop.people.until(0.0, hand))
    one = shop.working
    last = max(last, float(one.until(0.0, mill / max(1, len(shop.mills)))), float(np.max(shop.earliest, initial=0.0)))
    return min(shop.horizon, 1.5 * last + 24 * 3600)


def _even(shop: Shop, count: int) -> Floats:
    """Instants even in working time."""
    steps = np.linspace(0.0, float(shop.working.seconds(_last(shop))), count + 1)[1:]
    found = shop.working.until(np.zeros(count), steps)
    return np.unique(np.round(found[np.isfinite(found)]))


def _turns(shop: Shop, count: int) -> Floats:
    """Ends of the first stretches of working time, so that no bucket reaches over a night."""
    at = shop.working.at
    return at[(at > 0) & (at < _last(shop))][:count]


def _resources(problem: Problem, shop: Shop, grid: Floats) -> list[Resource]:
    """All people together, and the mills by the sets that stages may use and the unions of those that overlap."""
    p = problem.arrays
    users = [(o, own) for o, profiles in enumerate(shop.profiles) for own in profiles]
    found = [Resource("hand", users, shop.people.seconds(grid), ())]
    speed = p.m_factor[:, 1] / p.m_factor[:, 0]
    for pool in pools([own.stage.machines for _, own in users]):
        own_users = [(o, own) for o, own in users if set(own.stage.machines) <= pool]
        found.append(Resource("mill", own_users, _mill_seconds(problem, shop, sorted(pool), own_users, speed, grid), tuple(sorted(pool))))
    return found


def _mill_seconds(
    problem: Problem, shop: Shop, pool: list[int], users: list[tuple[int, Profile]], speed: Floats, grid: Floats,
) -> Floats:
    """Seconds at factor 1 that the mills of a pool can have worked by each instant.

    Where no run is under way at `now`, the k-th mill to start cannot before k plates are loaded: people have done k loads by
    then, and one of them no sooner than the first can be. Whichever mill it is, it loses at least that time; it counts at the least speed.
    """
    capacity = sum((speed[m] * shop.mills[m].seconds(grid) for m in pool), np.zeros(len(grid)))
    if len(problem.arrays.floor_runs):
        return capacity
    load = min(own.stage.load for _, own in users)
    first = float(shop.working.until(0.0, load))
    for k in range(1, len(pool) + 1):
        start = max(first, float(shop.people.until(0.0, k * load)))
        lost = [speed[m] * np.minimum(shop.mills[m].seconds(grid), float(shop.mills[m].seconds(start))) for m in pool]
        capacity = capacity - np.min(np.stack(lost), axis=0)
    return np.maximum(0.0, capacity)


def pools(sets: list[tuple[int, ...]]) -> list[frozenset[int]]:
    """The distinct sets, and the union of those that hang together."""
    distinct = {frozenset(own) for own in sets if own}
    joined: list[frozenset[int]] = []
    for pool in sorted(distinct, key=sorted):
        meets = [other for other in joined if other & pool]
        joined = [other for other in joined if not other & pool] + [pool.union(*meets)]
    return sorted(distinct | set(joined), key=sorted)


def _by_order(resource: Resource) -> dict[int, list[Profile]]:
    found: dict[int, list[Profile]] = {}
    for o, own in resource.users:
        found.setdefault(o, []).append(own)
    return found
