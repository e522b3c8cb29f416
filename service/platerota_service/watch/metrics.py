"""Numbers for whoever watches the service, in the text format of Prometheus: calls here; plans are counted where they are kept."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.registry import Collector

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 25, 60)


class Metrics:
    """The metrics of one service: a registry of its own, so that two services in one process do not meet."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._calls = Counter(
            "platerota_calls", "Calls answered, by method, address and status.", ("method", "path", "status"), registry=self.registry,
        )
        self._seconds = Histogram(
            "platerota_call_seconds", "Seconds until a call was answered whole, by address; waiting for a plan included.", ("path",),
            buckets=_SECONDS, registry=self.registry,
        )

    def count_call(self, method: str, path: str, status: int, seconds: float) -> None:
        """Count a call of an address (its template, such as ``/v1/plans/{plan_id}``)."""
        self._calls.labels(method if method in _METHODS else "other", path, str(status)).inc()
        self._seconds.labels(path).observe(seconds)

    def text(self, more: Collector) -> bytes:
        """Every metric as it stands now, with those of `more`."""
        others = CollectorRegistry()
        others.register(more)
        return generate_latest(others) + generate_latest(self.registry)


_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
