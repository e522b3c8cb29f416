"""Watching the service: traces, structured logs, metrics."""
