"""The broker link, and what is published. Nothing else but the demo imports the MQTT library."""

from aggregator.mqtt.broker import AT_ONCE, Broker, Secret, Tls, TlsProblem
from aggregator.mqtt.link import BrokerLink
from aggregator.mqtt.publisher import NotPublished, Publisher

__all__ = ["AT_ONCE", "Broker", "BrokerLink", "NotPublished", "Publisher", "Secret", "Tls", "TlsProblem"]
