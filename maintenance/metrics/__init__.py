"""The numbers that a monitoring program collects, read from the database when it asks."""

from django.utils import timezone
from prometheus_client import CollectorRegistry, generate_latest

from maintenance.metrics.service import ServiceMetrics
from maintenance.metrics.shop import ShopMetrics


def render_metrics() -> bytes:
    """All metrics in the text format; from a registry of its own, so that nothing else slips in."""
    registry, now = CollectorRegistry(auto_describe=False), timezone.now()
    registry.register(ServiceMetrics(now))
    registry.register(ShopMetrics(now))
    return generate_latest(registry)
