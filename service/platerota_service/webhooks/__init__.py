"""Webhooks: addresses that are told of a tenant's plans and questions, by signed messages that are sent until they arrive."""
