"""Profiles from their files: fields found, units converted, payloads and register lists laid out."""

from __future__ import annotations

import math
from collections.abc import Iterator

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.files import (
    RESPONSE_PARTS,
    BinaryItemKeys,
    BinaryKeys,
    DecodedKeys,
    FieldKeys,
    ProfileKeys,
    RegisterKeys,
    ResponseKeys,
)
from aggregator.config.findings import Findings, near
from aggregator.config.scalars import Wrong, is_number
from aggregator.core.address_map import TABLE_SIZE
from aggregator.core.encoding import IDENTITY, Encoding, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.pointer import Pointer
from aggregator.core.profile import (
    Binary,
    BinaryItem,
    DecodedField,
    Field,
    Profile,
    RegisterItem,
    Response,
    Window,
)
from aggregator.core.total import Counting


class ProfileBuilder:
    """Builds one profile from one file."""

    def __init__(self, keys: ProfileKeys, file: Document, findings: Findings) -> None:
        self.keys = keys
        self.file = file
        self.findings = findings
        self.fields = tuple(self._fields())

    def build(self) -> Profile:
        """The profile; what is wrong with it is among the findings."""
        registers = self._registers()
        keys = self.keys
        return Profile(
            keys.profile,
            keys.title,
            self.fields,
            self._decoded(),
            self._payloads(registers),
            registers,
            self.file.place("profile"),
        )

    def _fields(self) -> Iterator[Field]:
        for name, each in self.keys.fields.items():
            steps: Steps = ("fields", name)
            low, high = self._range(each.range, each.unit, (*steps, "range")) or (-math.inf, math.inf)
            yield Field(
                name,
                each.unit,
                each.label or name.replace("_", " "),
                low,
                high,
                each.decimals,
                each.optional,
                each.stale_after,
                self.file.key_place(*steps),
                can_show=self._range(each.can_show, each.unit, (*steps, "can_show")),
                fastest=self._rate(each.fastest, each.unit, (*steps, "fastest")),
                stuck_after=each.stuck_after,
                low_below=self._amount(each.low_below, each.unit, (*steps, "low_below")),
                counting=self._counting(each, steps),
            )

    def _counting(self, keys: FieldKeys, steps: Steps) -> Counting | None:
        if keys.counts is None:
            return None
        wraps_at = self._amount(keys.counts.wraps_at, keys.unit, (*steps, "counts", "wraps_at"))
        if wraps_at is not None and wraps_at <= 0:
            what = f"`wraps_at`: a counter cannot begin anew at `{keys.counts.wraps_at}`"
            cure = "Write the count at which it shows zero again"
            self.findings.wrong(self.file.place(*steps, "counts", "wraps_at"), what, cure)
        return Counting(
            wraps_at,
            self._rate(keys.counts.fastest, keys.unit, (*steps, "counts", "fastest")),
        )

    def _rate(self, text: str | None, unit: str, steps: Steps) -> float | None:
        """A change of a field in a second, from a text such as `20 %LEL/min`."""
        rate = self._amount(text, f"{unit}/s" if unit else "1/s", steps)
        if rate is not None and text is not None and is_number(text):
            cure = f"Write the time it takes as well: {text} {unit or 1}/min"
            self.findings.wrong(self.file.place(*steps), f"`{steps[-1]}`: `{text}` is no rate", cure)
        elif rate is not None and rate <= 0:
            self.findings.wrong(
                self.file.place(*steps), f"`{steps[-1]}`: `{text}` is no change", "Write more than zero"
            )
        return rate

    def _amount(self, text: str | None, unit: str, steps: Steps) -> float | None:
        if text is None:
            return None
        try:
            return units.quantity(text, unit)
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps)
            return None

    def _range(self, text: str | None, unit: str, steps: Steps) -> tuple[float, float] | None:
        if text is None:
            return None
        low_text, high_text = (part.strip() for part in text.split(".."))
        try:
            # `-20 .. 60 °C`: the unit after the higher value holds for the lower one as well
            trailing = units.QUANTITY.fullmatch(high_text)
            shared = trailing.groups()[-1] if trailing else ""
            low = units.quantity(f"{low_text} {shared}" if is_number(low_text) else low_text, unit)
            high = units.quantity(high_text, unit)
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps)
            return None
        if low >= high:
            what = f"the range `{text}` is empty"
            self.findings.wrong(self.file.place(*steps), what, "Write the lower value first")
            return None
        return low, high

    def _index(self, name: str, place: Place) -> int | None:
        names = [each.name for each in self.fields]
        if name in names:
            return names.index(name)
        what = f"profile {self.keys.profile} has no field `{name}`"
        self.findings.wrong(place, what, near(name, names, "It has"))
        return None

    def _line(self, keys: DecodedKeys | BinaryItemKeys | RegisterKeys, index: int, steps: Steps) -> Scale:
        """From a raw number to the field's unit: scale and offset first, then the unit."""
        scale = Scale(keys.scale, keys.offset)
        self.findings.no_zero_scale(keys.scale, self.file, steps)
        if keys.unit is None:
            return scale
        try:
            return scale.then(units.conversion(keys.unit, self.fields[index].unit))
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps, "unit")
            return scale

    def _decoded(self) -> tuple[DecodedField, ...]:
        if self.keys.decoded is None:
            pointers = (Pointer("/" + each.name) for each in self.fields)
            return tuple(DecodedField(index, pointer, IDENTITY) for index, pointer in enumerate(pointers))
        result = []
        for name, each in self.keys.decoded.items():
            index = self._index(name, self.file.key_place("decoded", name))
            if index is not None:
                line = self._line(each, index, ("decoded", name))
                result.append(DecodedField(index, Pointer(each.at), line, each.faults))
        return tuple(result)

    def _registers(self) -> tuple[RegisterItem, ...]:
        listed = self.keys.registers
        if listed is None:
            return ()
        result = []
        for at, each in enumerate(listed.items):
            steps: Steps = ("registers", "items", at)
            index = self._index(each.field, self.file.place(*steps, "field"))
            if index is None:
                continue
            encoding = Encoding.number(each.as_, Order(each.words or listed.words), Order(each.bytes_ or listed.bytes_))
            self._check_bits(each, 0 if encoding.is_float else 16 * encoding.registers, steps)
            function = int(each.function or listed.function)
            item = RegisterItem(
                index, function, each.at, encoding, self._line(each, index, steps), each.bits, each.faults
            )
            if item.end > TABLE_SIZE:
                what = "the value reaches past register 65535"
                self.findings.wrong(self.file.place(*steps, "at"), what, "Check the address")
            result.append(item)
        return tuple(result)

    def _check_bits(self, keys: BinaryItemKeys | RegisterKeys, available: int, steps: Steps) -> None:
        if keys.bits and keys.bits[1] >= available:
            what = f"bits up to {keys.bits[1]} cannot be taken from {keys.as_}"
            cure = "Take bits from an unsigned integer that is wide enough"
            self.findings.wrong(self.file.place(*steps, "bits"), what, cure)

    def _payloads(self, registers: tuple[RegisterItem, ...]) -> dict[int | None, Binary | Response]:
        result: dict[int | None, Binary | Response] = {}
        for at, each in enumerate(self.keys.payloads):
            if each.port in result:
                name = "every other port" if each.port is None else f"port {each.port}"
                cure = "Keep one, or give the other its own port"
                self.findings.wrong(self.file.place("payloads", at, "port"), f"{name} has two payloads", cure)
            elif each.binary:
                result[each.port] = self._binary(each.binary, ("payloads", at, "binary"))
            elif each.modbus:
                result[each.port] = self._response(each.modbus, registers, ("payloads", at, "modbus"))
        return result

    def _twice(self, index: int, items: list[BinaryItem], steps: Steps) -> bool:
        """Whether a payload fills a field a second time, which would hide the first."""
        if all(item.index != index for item in items):
            return False
        what = f"the payload fills `{self.fields[index].name}` twice"
        self.findings.wrong(self.file.place(*steps, "field"), what, "Keep one, or give the other a field of its own")
        return True

    def _binary(self, keys: BinaryKeys, steps: Steps) -> Binary:
        items: list[BinaryItem] = []
        for at, each in enumerate(keys.items):
            own: Steps = (*steps, "items", at)
            index = self._index(each.field, self.file.place(*own, "field"))
            if index is None or self._twice(index, items, own):
                continue
            kind = each.as_.rstrip("0123456789")
            size = int(each.as_[len(kind) :]) // 8
            self._check_bits(each, 8 * size if kind == "uint" else 0, own)
            line = self._line(each, index, own)
            items.append(BinaryItem(index, each.at, size, kind, each.order or keys.order, each.bits, line, each.faults))
        return Binary(tuple(items))

    def _response(self, keys: ResponseKeys, registers: tuple[RegisterItem, ...], steps: Steps) -> Response:
        parts = self._parts(keys, steps)
        if not registers:
            what = f"profile {self.keys.profile} declares no registers"
            cure = "Add `registers:` with the meter's own register list"
            self.findings.wrong(self.file.place(*steps), what, cure)
        windows = tuple(Window(int(read.function), read.from_) for read in keys.reads)
        for at, window in enumerate(windows):
            within = (item for item in registers if item.function == window.function and item.address >= window.start)
            if registers and not any(within):
                what = f"no register of function {window.function} is listed at or after {window.start}"
                cure = "Check `from` and `function` against `registers:`"
                self.findings.wrong(self.file.place(*steps, "reads", at), what, cure)
        return Response(windows, parts, registers)

    def _parts(self, keys: ResponseKeys, steps: Steps) -> frozenset[str]:
        parts = keys.parts.split()
        place = self.file.place(*steps, "parts")
        unknown = [part for part in parts if part not in RESPONSE_PARTS]
        for part in unknown:
            what = f"`{part}` is no part of a Modbus response"
            self.findings.wrong(place, what, near(part, RESPONSE_PARTS, "It has"))
        ordered = [part for part in RESPONSE_PARTS if part in parts]
        if not unknown and (parts != ordered or "registers" not in parts):
            cure = f"Write those that are there in the order {' '.join(RESPONSE_PARTS)}"
            self.findings.wrong(place, f"`{keys.parts}` is no Modbus response", cure)
        if len(keys.reads) > 1 and "count" not in parts:
            what = "without `count` several responses cannot be told apart"
            self.findings.wrong(
                self.file.place(*steps, "reads"), what, "Let the node send the count, or one read a port"
            )
        return frozenset(parts)
