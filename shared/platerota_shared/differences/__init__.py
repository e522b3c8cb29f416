"""What two plans of a shop differ in.

>>> from platerota_shared.differences import differences, difference_rows
"""

from platerota_shared.differences.answer import Differences
from platerota_shared.differences.comparing import differences
from platerota_shared.differences.rows import COLUMNS, difference_rows

__all__ = ["COLUMNS", "Differences", "difference_rows", "differences"]
