"""The service's figures for a monitoring system: OpenMetrics text, at /metrics."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector, CollectorRegistry

from aggregator import __version__
from aggregator.core.gateway import FIGURES
from aggregator.web.offer import Offer

COUNTING = ("uplinks_",)  # what these names begin with only ever grows


class Figures(Collector):
    """The gateway's figures under their own names, those that stand in the gateway block too."""

    def __init__(self, offer: Offer) -> None:
        self._offer = offer

    def collect(self) -> Iterator[Metric]:
        """Each figure as it now is."""
        site, now = self._offer.site(), self._offer.now()
        about = GaugeMetricFamily("aggregator_info", "The program and the site.", labels=["version", "site"])
        about.add_metric([__version__, site.declared.name], 1)
        yield about
        for figure in FIGURES:
            value = site.figures.figure(figure.name, now)
            if not isinstance(value, int | float):
                continue
            name = f"aggregator_{figure.name}"
            if figure.name.startswith(COUNTING):
                yield CounterMetricFamily(name, figure.says, value=value)
            else:
                yield GaugeMetricFamily(name, figure.says, value=value)


def registry_of(offer: Offer) -> CollectorRegistry:
    """What there is to be asked for."""
    registry = CollectorRegistry()
    registry.register(Figures(offer))
    return registry
