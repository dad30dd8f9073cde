"""Nodes that are heard and sit on no meter."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from aggregator.web.api.answers import Answer
from aggregator.web.api.answers.quality import Radio, Read


class Fit(Answer):
    """A profile by which an uplink reads, and the first meters of that model without a node."""

    profile: str
    title: str
    reads: list[Read]
    meters_without_node: list[str]


class Figures(Radio):
    """When a node was heard first and last, how often, and how well last."""

    first: float
    last: float
    count: int


class Node(Figures):
    """A node, with the profiles that fit its newest uplink."""

    node: str
    fits: list[Fit]


class Nodes(Answer):
    """A part of them, the one heard last first."""

    nodes: list[Node]
    count: int


class NodeUplink(Radio):
    """An uplink of a node, with every profile that fits."""

    at: float
    topic: str
    counter: int
    port: int | None
    payload: str | None = Field(description="hexadecimal")
    decoded: Any = Field(description="as the network server decoded it")
    fits: list[Fit]


class NodeNow(Node):
    """A node with its newest uplinks."""

    uplinks: list[NodeUplink]


class CodeSays(Answer):
    """What a code says (LoRa Alliance TR005), where the node sits, how it was heard.

    With a tag asked for: what its newest uplink reads by that meter's profile, or why it cannot be read.
    """

    node: str
    join: str | None
    maker_profile: str | None
    serial: str | None
    sits_on: str | None
    heard: Figures | None
    at: float | None = None
    reads: list[Read] | None = None
    unreadable: str | None = None
