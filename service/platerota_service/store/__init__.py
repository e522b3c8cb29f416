"""What the service keeps: plans, shops, keys, answers to repeated calls, webhooks; in SQLite, or in PostgreSQL for a fleet."""

from platerota_service.store.database import Store, now_ms
from platerota_service.store.errors import StoreError
from platerota_service.store.schema import (
    LOCAL_TENANT,
    IdempotencyRow,
    KeyRow,
    PlanRow,
    QuestionRow,
    ShopRow,
    WebhookDeliveryRow,
    WebhookEndpointRow,
)

__all__ = [
    "LOCAL_TENANT", "IdempotencyRow", "KeyRow", "PlanRow", "QuestionRow", "ShopRow", "Store", "StoreError", "WebhookDeliveryRow",
    "WebhookEndpointRow", "now_ms",
]
