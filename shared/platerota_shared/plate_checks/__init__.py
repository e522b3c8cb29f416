"""The plate check: what can be said of a plate before a fixture is built on it.

>>> from platerota_shared.plate_checks import check_plate, read_plate_check
"""

from platerota_shared.plate_checks.answer import PlateCheck
from platerota_shared.plate_checks.asked import PlateCheckRequest
from platerota_shared.plate_checks.checking import check_plate
from platerota_shared.plate_checks.reading import read_plate_check

__all__ = ["PlateCheck", "PlateCheckRequest", "check_plate", "read_plate_check"]
