"""Uplink envelopes from site.yaml."""

from __future__ import annotations

import math

from aggregator.config.files import PayloadKeys, RadioKeys, UplinkKeys
from aggregator.core.dating import NodeClock
from aggregator.core.errors import Place
from aggregator.core.pointer import Pointer
from aggregator.core.uplink import Envelope, PayloadText


def build_envelope(keys: UplinkKeys, place: Place) -> Envelope:
    """Where the parts of an uplink stand, from its lines in site.yaml."""
    payload = keys.payload or PayloadKeys(at="", **{"as": "base64"})
    radio = keys.radio or RadioKeys(each=None, rssi=None, snr=None, spreading_factor=None)
    clock = keys.node_clock
    return Envelope(
        topic=keys.topic,
        node=Pointer(keys.node),
        counter=_pointer(keys.counter),
        port=_pointer(keys.port),
        observed=_pointer(keys.observed),
        received=_pointer(keys.received),
        fields=_pointer(keys.fields),
        payload=_pointer(keys.payload.at if keys.payload else None),
        payload_text=PayloadText(payload.as_),
        rssi=_pointer(radio.rssi),
        snr=_pointer(radio.snr),
        spreading_factor=_pointer(radio.spreading_factor),
        session=_pointer(keys.session),
        counter_bits=keys.counter_bits,
        radios=_pointer(radio.each),
        node_clock=NodeClock(-math.inf if clock.not_before is None else clock.not_before, clock.oldest, clock.ahead),
        place=place,
    )


def _pointer(text: str | None) -> Pointer | None:
    return None if text is None else Pointer(text)
