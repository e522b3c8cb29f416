"""Times as chance has them: how long each task takes this time, and how long a machine stands because it stopped."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platerota_shared.risks import Spread, Stops
from platerota_solver.risk.openings import Ints, Opening

Floats = NDArray[np.float64]


def factors(spread: Spread, size: tuple[int, ...], random: np.random.Generator) -> Floats:
    """Random factors with mean 1 and the standard deviation `spread.variation`.

    Lognormal: exp(σ·z − σ²/2) with σ² = ln(1 + v²). Gamma: shape 1/v², scale v²; v = 1 is the exponential distribution.
    Both are the textbook's way to keep the mean (Law, Simulation Modeling and Analysis, ch. 6; from memory).
    """
    variance = spread.variation**2
    if variance == 0.0:
        return np.ones(size)
    if spread.distribution == "gamma":
        return random.gamma(1.0 / variance, variance, size)
    sigma = math.sqrt(math.log1p(variance))
    return random.lognormal(-sigma * sigma / 2.0, sigma, size)


@dataclass(frozen=True)
class Stopping:
    """Stops of machines: a Poisson process of the time they cut, each stop gamma-distributed.

    `attended` is when somebody is there to mend one.
    """

    stops: Stops
    attended: Opening

    def standing(self, start: Ints, cutting: Ints, random: np.random.Generator) -> Ints:
        """Seconds that a machine stands during a cut, for each simulated week.

        Parameters
        ----------
        start
            When the cut starts, seconds after `now`.
        cutting
            How long it cuts without stops, seconds.
        random
            The random numbers.
        """
        stood = np.zeros(len(start))
        if self.stops.per_cutting_hour == 0.0 or self.stops.mean_seconds == 0.0:
            return stood.astype(np.int64)
        between = 3_600.0 / self.stops.per_cutting_hour
        # Cutting done when the next stop comes.
        cut = random.exponential(between, len(start))
        weeks = np.flatnonzero(cut < cutting)
        while weeks.size:
            at = start[weeks] + np.rint(cut[weeks] + stood[weeks]).astype(np.int64)
            waits = self.attended.resumed(at) - at if self.stops.needs_person else 0
            length = self.stops.mean_seconds * factors(Spread(variation=self.stops.variation, distribution="gamma"), weeks.shape, random)
            stood[weeks] += waits + length
            cut[weeks] += random.exponential(between, len(weeks))
            weeks = weeks[cut[weeks] < cutting[weeks]]
        return np.rint(stood).astype(np.int64)
