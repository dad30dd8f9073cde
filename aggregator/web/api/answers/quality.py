"""How far something can be trusted, and how well a node was heard."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from aggregator.web.api.answers import Answer, Number

Grade = Literal["good", "uncertain", "bad"]
Value = Number | str
Clock = Annotated[str, Field(description="what the gateway's clock was worth then")]


class Judged(Answer):
    """What is good, uncertain or bad, and why it is not good."""

    grade: Grade
    reasons: list[str]


class Radio(Answer):
    """How well an uplink was heard: RSSI in dBm, SNR in dB, the spreading factor 7 to 12."""

    rssi: Number | None
    snr: Number | None
    spreading_factor: Number | None


class Read(Answer):
    """What a field reads, in its unit, with its quality in words."""

    field: str
    value: Value | None
    unit: str
    quality: str
