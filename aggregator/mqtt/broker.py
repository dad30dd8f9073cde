"""How to reach the broker: where it is, as whom, by what protocol, over TLS or not."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass
from typing import TypeVar

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from aggregator.core.errors import AggregatorError

ANSWER_WITHIN = 10.0  # s for the broker to accept or refuse a connection
AT_ONCE = 1000  # QoS 1 messages that the broker may send ahead of our acknowledgements (MQTT 5 Receive Maximum)


class TlsProblem(AggregatorError):
    """The TLS files cannot be used; the message names the file."""


@dataclass(frozen=True, slots=True)
class Broker:
    """How to reach the broker. Times in seconds; the password never prints.

    `keeps` is how long the broker keeps the session after a connection has ended: 0 for a session of one connection.
    """

    host: str
    port: int
    version: str = "5"
    client: str = "aggregator"
    user: str | None = None
    password: Secret | None = None
    tls: Tls | None = None
    keepalive: float = 15.0
    keeps: float = 604800.0


@dataclass(frozen=True, slots=True)
class Tls:
    """PEM files for TLS; None for the system's authorities and no client certificate."""

    ca: str | None = None
    certificate: str | None = None
    key: str | None = None

    def context(self) -> ssl.SSLContext:
        """A context that checks the broker's certificate and name. Raises TlsProblem."""
        try:
            context = ssl.create_default_context(cafile=self.ca)
            if self.certificate:
                context.load_cert_chain(self.certificate, self.key)
        except (OSError, ssl.SSLError) as error:
            files = ", ".join(file for file in (self.ca, self.certificate, self.key) if file)
            raise TlsProblem(
                f"the TLS files of the broker cannot be used ({files}): {error}. Check `tls:` in site.yaml."
            ) from error
        return context


class Secret(str):
    """A text that does not print."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "Secret(***)"


Made = TypeVar("Made", bound=mqtt.Client)


def new_client(kind: type[Made], broker: Broker, context: ssl.SSLContext | None) -> Made:
    """A client object of the library that knows all but how the messages go."""
    is_5 = broker.version == "5"
    client = kind(
        CallbackAPIVersion.VERSION2,
        client_id=broker.client,
        clean_session=None if is_5 else not broker.keeps,
        protocol=mqtt.MQTTv5 if is_5 else mqtt.MQTTv311,
    )
    client.username_pw_set(broker.user, broker.password)
    if context:
        client.tls_set_context(context)
    return client


def connect(client: mqtt.Client, broker: Broker) -> None:
    """Open the connection. Blocks; raises OSError and UnicodeError."""
    client.connect_timeout = ANSWER_WITHIN
    if broker.version != "5":
        client.connect(broker.host, broker.port, int(broker.keepalive))
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = int(broker.keeps)
    properties.ReceiveMaximum = AT_ONCE
    client.connect(broker.host, broker.port, int(broker.keepalive), clean_start=not broker.keeps, properties=properties)


def why_not(error: OSError | UnicodeError) -> str:
    if isinstance(error, socket.gaierror | UnicodeError):  # a name with an empty or overlong part is no name at all
        return "the broker's name is not known here"
    if isinstance(error, TimeoutError):
        return "the broker does not answer"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the broker's certificate is not accepted: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return f"TLS with the broker fails: {error.reason}"
    return f"the broker cannot be reached: {error.strerror or error}"
