"""The contract of platerota: what goes in, what comes out, and every way a request can be refused.

>>> from platerota_shared import read_request, RequestRefused
"""

from platerota_shared.faults import CODES, Fault, RequestRefused, Unreadable
from platerota_shared.fields import Skill
from platerota_shared.plan import Kind, Plan, Quality, Status
from platerota_shared.reading import LIMITS, read_request
from platerota_shared.shop_reading import read_shop
from platerota_shared.tables import (
    Closure,
    Fixture,
    Floor,
    FloorPieces,
    LastFixture,
    Machine,
    Nest,
    Operation,
    Operator,
    Order,
    PlanRequest,
    Plate,
    RunningCut,
    ScoreRates,
    Settings,
    Shift,
    Shop,
    WaitingRun,
)

__all__ = [
    "CODES",
    "LIMITS",
    "Closure",
    "Fault",
    "Fixture",
    "Floor",
    "FloorPieces",
    "Kind",
    "LastFixture",
    "Machine",
    "Nest",
    "Operation",
    "Operator",
    "Order",
    "Plan",
    "PlanRequest",
    "Plate",
    "Quality",
    "RequestRefused",
    "RunningCut",
    "ScoreRates",
    "Settings",
    "Shift",
    "Shop",
    "Skill",
    "Status",
    "Unreadable",
    "WaitingRun",
    "read_request",
    "read_shop",
]
