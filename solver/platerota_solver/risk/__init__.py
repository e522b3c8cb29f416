"""The risk of a plan: it is run many times with its assignments and sequences kept, while times spread and machines stop.

>>> from platerota_solver.risk import risks
"""

from platerota_solver.risk.assessing import risks

__all__ = ["risks"]
