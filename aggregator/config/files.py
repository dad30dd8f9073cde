"""The kinds of file a site keeps, as models: what each key is called, what it holds and what it means.

Those of meters.yaml, map.yaml and the profiles stand in modules of their own. The descriptions are the ones an editor
shows through the JSON Schemas (`aggregator schema`).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from aggregator.config.keys import Keys, one_of, short_too
from aggregator.config.map_keys import MapKeys
from aggregator.config.meter_keys import MetersKeys
from aggregator.config.profile_keys import ProfileKeys
from aggregator.config.rehearsal_keys import RehearsalKeys
from aggregator.config.scalars import Wrong
from aggregator.config.values import (
    At,
    Baud,
    Between,
    ClientId,
    CounterBits,
    Duration,
    HostName,
    KeepAlive,
    Listens,
    Moment,
    Name,
    Networks,
    Rights,
    SerialDevice,
    Size,
    StopBits,
    Text,
    Topic,
    Turnaround,
    User,
    Versions,
    YesNo,
)
from aggregator.core.dating import AHEAD, OLDEST

# site.yaml


class SecretKeys(Keys):
    """A secret, kept outside the file."""

    file: Text | None = Field(None, description="path of a file that holds it, readable by the service's user only")
    environment: Text | None = Field(None, description="name of the environment variable that holds it")

    @model_validator(mode="before")
    @classmethod
    def _never_in_the_file(cls, value: object) -> object:
        if isinstance(value, str):
            raise Wrong(
                "a password may not stand in this file",
                "Write {file: PATH} or {environment: NAME} and put the password there",
            )
        return value

    @model_validator(mode="after")
    def _from_one_place(self) -> SecretKeys:
        one_of(self, ("file", "environment"), "the secret")
        return self


class TlsKeys(Keys):
    """TLS towards the broker."""

    ca: Text | None = Field(None, description="PEM file of the certificate authority; default: the system's own")
    certificate: Text | None = Field(None, description="PEM file of this client's certificate, where the broker asks")
    key: Text | None = Field(None, description="PEM file of its key")


class BrokerKeys(Keys):
    """The MQTT broker that uplinks come from."""

    host: Text
    port: Annotated[int, Between(1, 65535)] = 1883
    version: Versions = Field("5", description="MQTT version")
    client: ClientId = Field("aggregator", description="client id; two services with the same one throw each other out")
    user: User | None = None
    password: SecretKeys | None = None
    tls: TlsKeys | None = Field(None, description="give it (even empty: {}) to use TLS")
    keepalive: KeepAlive = Field(15.0, description="a dead link is noticed after about twice this")
    keeps: Duration = Field(604800.0, description="how long the broker keeps our queue while we are away")


class PayloadKeys(Keys):
    """Where the raw payload stands in the message, and how its bytes are written."""

    at: At
    as_: Literal["base64", "hex"] = Field("base64", alias="as")


class RadioKeys(Keys):
    """How well the uplink was heard."""

    each: At | None = Field(None, description="array of all radios that heard it; the best is taken")
    rssi: At | None = Field(None, description="dBm; with `each`, a place in every entry of it")
    snr: At | None = Field(None, description="dB; with `each`, a place in every entry of it")
    spreading_factor: At | None = None

    @model_validator(mode="after")
    def _tells_the_best(self) -> RadioKeys:
        if self.each is not None and self.rssi is None and self.snr is None:
            raise Wrong("`each` is given without `rssi` or `snr`", "Say where they stand in every entry of the array")
        return self


class NodeClockKeys(Keys):
    """What a node's own clock can say and be right; anything else is not believed, and flagged."""

    not_before: Moment | None = Field(None, description="no node was in service before this: 2026-01-01")
    oldest: Duration = Field(OLDEST, description="no node keeps a reading for longer")
    ahead: Duration = Field(AHEAD, description="how far it may run ahead of the gateway's clock")


class UplinkKeys(Keys):
    """One kind of message: its topics, and JSON Pointers (RFC 6901) to its parts."""

    topic: Topic = Field(description="MQTT topic filter")
    node: At = Field(description="the node's DevEUI")
    counter: At | None = Field(None, description="frame counter: tells doubled and lost uplinks")
    counter_bits: CounterBits = Field(32, description="16 where only the bits are handed on that go over the air")
    session: At | None = Field(None, description="what changes at each join, as a DevAddr: tells a rejoin")
    port: At | None = Field(None, description="LoRaWAN port: chooses among the profile's payloads")
    observed: At | None = Field(None, description="when the node measured")
    node_clock: NodeClockKeys = NodeClockKeys()
    received: At | None = Field(None, description="when the network heard it")
    fields: At | None = Field(None, description="the object of decoded fields")
    payload: PayloadKeys | None = Field(None, description="raw bytes, decoded by the profile")
    radio: RadioKeys | None = None

    @model_validator(mode="after")
    def _carries_something(self) -> UplinkKeys:
        if self.fields is None and self.payload is None:
            raise Wrong(
                "neither `fields` nor `payload` is given", "Say where the decoded fields or the raw bytes stand"
            )
        for key in ("counter_bits", "session"):
            if key in self.model_fields_set and self.counter is None:
                raise Wrong(f"`{key}` is given without `counter`", "Say where the counter stands, or leave it out")
        return self


class AllowKeys(Keys):
    """A network whose clients may connect, and what they may do."""

    model_config = short_too({"type": "string"})

    from_: Networks = Field(alias="from", description="a network, one address, or `any`")
    may: Rights = Field(["read"], description="whoever may write may read too")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"from": value} if isinstance(value, str) else value


class SerialKeys(Keys):
    """A serial line that plant software polls: 8 data bits, no flow control."""

    model_config = short_too({"type": "string"})

    port: SerialDevice = Field(description="the port, best by its path in /dev/serial/by-id")
    baud: Baud = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: StopBits | None = Field(None, description="default: 1 with parity, 2 without")
    may: Rights = Field(["read"], description="what whoever is on the line may do; who may write may read too")
    rs485: YesNo = Field(False, description="the port's driver turns an RS-485 line around, by RTS")
    turnaround: Turnaround | None = Field(
        None, description="how long an answer waits at least; default 3.5 characters, which is the least"
    )

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"port": value} if isinstance(value, str) else value

    @property
    def stop_bits_sent(self) -> int:
        """A character has 11 bits: a second stop bit stands in for a parity bit (V1.02 section 2.5.1)."""
        return int(self.stop_bits) if self.stop_bits else 2 if self.parity == "none" else 1


class ListenerTlsKeys(Keys):
    """Modbus over TLS (MODBUS/TCP Security): both ends show certificates, and a client may do what its role may."""

    certificate: Text = Field(description="PEM file of the listener's certificate, with those between it and its root")
    key: Text = Field(description="PEM file of its key, readable by the service's user only")
    client_ca: Text = Field(description="PEM file of the authority that signs clients' certificates")
    roles: dict[Text, Rights] = Field(
        min_length=1, description="what the role in a client's certificate may do; who may write may read too"
    )
    without_role: Rights | None = Field(
        None, description="what a certificate without a role may do; default: nothing, every request gets exception 01"
    )


TCP_ONLY = ("allow", "clients", "clients_per_host", "requests_per_second", "idle", "tls")


class ListenerKeys(Keys):
    """Where plant software connects: over a network, or along a serial line."""

    tcp: Listens | None = Field(None, description="Modbus TCP on this address and port")
    serial: SerialKeys | None = Field(None, description="Modbus on a serial line (RTU), at this port")
    devices: list[Name] | None = Field(
        None, min_length=1, description="names or unit ids of the devices it serves; default: all of map.yaml"
    )
    allow: list[AllowKeys] | None = Field(
        None, min_length=1, description="who may connect, and what for; default: anybody may read"
    )
    clients: Annotated[int, Between(1, 10000)] = Field(
        64, description="connections at once; beyond that the longest idle one goes"
    )
    clients_per_host: Annotated[int, Between(1, 10000)] = Field(
        16, description="connections of one host at once; beyond that its longest idle one goes"
    )
    requests_per_second: Annotated[int, Between(1, 1_000_000)] | None = Field(
        None, description="of one host; beyond that its answers come later"
    )
    idle: Duration = Field(600.0, description="a connection that says nothing for so long is closed")
    tls: ListenerTlsKeys | None = Field(None, description="Modbus over TLS alone, usually on port 802")

    @model_validator(mode="after")
    def _one_road(self) -> ListenerKeys:
        one_of(self, ("tcp", "serial"), "the listener")
        misplaced = [key for key in TCP_ONLY if self.serial and key in self.model_fields_set]
        if misplaced:
            keys = ", ".join(f"`{key}`" for key in misplaced)
            one = len(misplaced) == 1
            what = f"{keys} {'is' if one else 'are'} of a network, and this is a serial line"
            raise Wrong(what, f"Leave {'it' if one else 'them'} out")
        return self

    @property
    def own_host(self) -> str:
        """Where this machine itself reaches a listener on a network."""
        assert self.tcp
        return "127.0.0.1" if self.tcp[0] == "0.0.0.0" else self.tcp[0]  # noqa: S104 - every network includes our own


class WebTlsKeys(Keys):
    """Pages over HTTPS."""

    certificate: Text = Field(description="PEM file of the certificate that browsers are shown")
    key: Text = Field(description="PEM file of its key, readable by the service's user only")


class WebKeys(Keys):
    """Pages and the interface for programs."""

    at: Listens = Field(("127.0.0.1", 8080), description="address and port; 127.0.0.1 is this machine only")
    tls: WebTlsKeys | None = Field(None, description="HTTPS: whoever signs in over a network needs it")
    names: list[HostName] = Field([], description="names that browsers call this gateway by, beside its addresses")
    open_to_look: YesNo = Field(False, description="whether anybody who can connect may look without signing in")


class LogKeys(Keys):
    """What the service writes about itself."""

    level: Literal["debug", "info", "warning"] = "info"


class StorageKeys(Keys):
    """The history, the journal and messages set aside, in one file. All of it stays with the site."""

    folder: Text | None = Field(None, description="default: the service manager's state folder, else data/ here")
    keep: Duration = Field(63072000.0, description="readings older than this go; default two years")
    keep_journal: Duration = Field(315360000.0, description="events older than this go; default ten years")
    most: Size = Field(2_000_000_000, description="size of the file; beyond it the oldest readings go")
    most_photos: Size = Field(2_000_000_000, description="size of all photos of links; beyond it none is taken")
    set_aside: Annotated[int, Between(0, 1_000_000)] = Field(
        1000, description="how many messages that could not be taken are kept"
    )
    hold_back: Duration | None = Field(
        None, description="let a commit wait so long for more uplinks: less wear of a flash card, later acknowledgement"
    )


class SiteKeys(Keys):
    """site.yaml: the service."""

    site: Text = Field(description="the site's name")
    broker: BrokerKeys
    uplinks: list[UplinkKeys] = Field(min_length=1)
    listeners: list[ListenerKeys] = Field(min_length=1)
    web: WebKeys | None = Field(None, description="pages for people; left out, none are served")
    storage: StorageKeys = StorageKeys()
    log: LogKeys = LogKeys()
    follow_files: YesNo = Field(False, description="take the site's files anew when they have changed")


FILES: dict[str, type[Keys]] = {
    "site": SiteKeys,
    "meters": MetersKeys,
    "map": MapKeys,
    "profile": ProfileKeys,
    "rehearsal": RehearsalKeys,
}


def schema_of(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of file: `site`, `meters`, `map`, `profile` or `rehearsal`."""
    schema = FILES[kind].model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
