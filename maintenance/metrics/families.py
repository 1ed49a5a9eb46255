"""Families of metrics. Names and units follow the conventions of Prometheus: base units (seconds, bytes, grams, ratios) at
the end of the name, labels for what differs, times as seconds since 1970."""

from prometheus_client.core import GaugeMetricFamily


def make_family(name: str, description: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"loadworthy_{name}", description, labels=labels)


def make_gauge(name: str, description: str, value: float, **labels: str) -> GaugeMetricFamily:
    """A family of one value."""
    family = make_family(name, description, *labels)
    family.add_metric(list(labels.values()), value)
    return family
