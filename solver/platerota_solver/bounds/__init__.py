"""Bounds: points that no plan can be below, whatever it does."""

from platerota_solver.bounds.bounding import Bound, lower_bound

__all__ = ["Bound", "lower_bound"]
