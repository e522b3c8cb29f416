"""A plan under the names of IEC 62264 (ISA-95), for an ERP that speaks them; pages/erp-exchange.md says what maps to what."""

from platerota_service.operations_schedule.mapping import operations_schedule
from platerota_service.operations_schedule.standard import ScheduleDocument, ScheduleState

__all__ = ["ScheduleDocument", "ScheduleState", "operations_schedule"]
