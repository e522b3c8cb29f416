"""Describing a plan: score, order results, floats, load windows, lanes, KPIs and warnings, all from runs and tasks alone."""

from platerota_solver.describe.describing import describe

__all__ = ["describe"]
