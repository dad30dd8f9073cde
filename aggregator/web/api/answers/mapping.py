"""The map: devices and their tables, what stands where and what it holds, poll plans, who polls."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from aggregator.web.api.answers import Answer, Number, Row

TableKey = Literal["coil", "discrete", "input", "holding"]
Stretch = list[int]


class TableNow(Answer):
    """A table: how many addresses are used, spare, kept free by blocks, and free; runs that blocks take."""

    table: TableKey
    words: str
    function: int
    blocks: int
    used: int
    spare: int
    kept_free: int
    free: int
    taken: list[Stretch] = Field(description="first and last addresses, rounded outwards to whole grains")


class DeviceNow(Answer):
    """A virtual device; `stands_in` is the tag of the meter whose own wired list it shows."""

    name: str
    unit_id: int
    stands_in: str | None
    tables: list[TableNow]
    frozen: int
    items: list[str]
    test_block: dict[TableKey, int]


class Map(Answer):
    """Every device of the site, and what of the map is frozen."""

    site: str
    revision: str
    map_fingerprint: str
    areas: list[str]
    frozen: int
    devices: list[DeviceNow]


class Strip(Answer):
    """Blocks as start, size, owner, number of their layout (null: spare), and how frozen: 0 not, 1 partly, 2 wholly.

    A layout is a list of items, each as offset, size and title.
    """

    blocks: list[Row]
    layouts: list[list[Row]]


class Item(Answer):
    """An item at its place: PDU address, registers or bits, its reference in plant software, whose it is."""

    table: TableKey
    address: int
    size: int
    reference: str
    owner: str
    tag: str | None
    title: str


class ItemOfDevice(Item):
    """An item, and the device on which it stands."""

    device: str


class Meaning(Answer):
    """One thing that an address can mean: the item there, or that of the other table that is seen there."""

    device: str
    table: TableKey
    address: int
    register_: str = Field(alias="register")
    item: Item | None
    seen: Item | None
    owner: str | None


class Found(Answer):
    """What was meant, the likeliest first; `said` is why nothing was found."""

    places: list[Meaning]
    items: list[ItemOfDevice]
    more: bool
    said: str


class Held(Answer):
    """What an item holds now; a Modbus exception where it cannot be read. Quality and age where it tells of a meter."""

    value: Number | bool | str | None = None
    raw: str | None = Field(None, description="registers as hexadecimal words, or a bit")
    exception: int | None = None
    quality: str | None = None
    age: float | None = None


class HeldItem(Item, Held):
    """An item with its type, unit and note, and what it holds now."""

    type: str
    unit: str
    note: str


class Register(Answer):
    """A register in each notation in which plant software writes it."""

    table: TableKey
    address: int
    hex: str
    data_number: int
    reference: str
    short_reference: str


class Misread(Answer):
    """A usual way to read the item wrongly, and what comes of it."""

    way: str
    value: Number


class RegisterNow(Held):
    """What a register is, and holds now. What concerns an item is left out where none stands there."""

    map_fingerprint: str
    register_: Register = Field(alias="register")
    about: list[list[str]]
    owner: str | None
    before: Item | None
    after: Item | None
    seen: Item | None
    item: Item | None = None
    frozen: bool | None = None
    unit: str | None = None
    misread: list[Misread] | None = None


class BlockNow(Answer):
    """The items of a block, a hundred at once, and what they hold now."""

    owner: str
    tag: str | None
    span: str
    placed: str = Field(description="file and line")
    layout: str
    items: list[HeldItem]
    more: bool


class PlanRow(Answer):
    """A read of a plan, as in its file."""

    unit_id: str = Field(alias="unit id")
    device: str
    table: str
    function: str
    address: str = Field(alias="PDU address")
    hex: str = Field(alias="PDU hex")
    data_number: str = Field(alias="data number")
    reference: str
    short_reference: str = Field(alias="short reference")
    count: str
    last: str = Field(alias="last PDU address")
    items: str
    used: str
    covers: str
    note: str


class Plan(Answer):
    """The fewest reads that cover what was chosen, a hundred of them; how many there are, and what all cost."""

    rows: list[PlanRow]
    reads: int
    cost: str


class Reads(Answer):
    """The addresses that a client reads of a unit by a function, as first and last."""

    unit: int
    function: int
    addresses: list[Stretch]


class Refused(Answer):
    """A request that was refused: with which exception, how often, when last, and what was probably meant."""

    unit: int
    function: int
    start: int | None
    quantity: int | None
    exception: str
    times: int
    last: float
    meant: str


class Client(Answer):
    """Who polls: through which listener, from where, how often (requests a second), what, and what went wrong."""

    listener: str
    host: str
    since: float
    last: float
    connections: int
    connected: int
    requests: int
    rate: float
    units: dict[str, int]
    exceptions: dict[str, int]
    reads: list[Reads]
    wrong: list[Refused]


class Clients(Answer):
    """Who polls, those heard last first, and the counts of what was refused."""

    clients: list[Client]
    refused: dict[str, int]
