"""Profiles from their files: fields found, units converted, payloads and register lists laid out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from aggregator.config import units
from aggregator.config.alarms import usual_alarms
from aggregator.config.computed import computed_of
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.items import fits, span_of
from aggregator.config.profile_keys import (
    RESPONSE_PARTS,
    AtRegisterKeys,
    BinaryItemKeys,
    BinaryKeys,
    DecodedKeys,
    FieldKeys,
    ProfileKeys,
    RegisterListKeys,
    ResponseKeys,
    WiredKeys,
    WiredListKeys,
)
from aggregator.config.ranges import range_of
from aggregator.config.records import check_records, decoded_records_of, records_of, size_of
from aggregator.config.scalars import Wrong, is_number
from aggregator.core.address_map import TABLE_SIZE
from aggregator.core.encoding import IDENTITY, Encoding, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.pointer import Pointer, pointer_to
from aggregator.core.profile import (
    Binary,
    BinaryItem,
    Constant,
    DecodedField,
    Field,
    Profile,
    RegisterItem,
    Response,
    Window,
)
from aggregator.core.records import Records
from aggregator.core.slip import near
from aggregator.core.total import Counting

PERCENT = 100
Listed = RegisterListKeys | WiredListKeys


class ProfileBuilder:
    """Builds one profile from one file."""

    def __init__(self, keys: ProfileKeys, file: Document, findings: Findings) -> None:
        self.keys = keys
        self.file = file
        self.findings = findings
        self.fields: tuple[Field, ...] = ()
        for each in self._fields():
            self.fields = (*self.fields, each)  # a computed field refers to those before it

    def build(self) -> Profile:
        """The profile; what is wrong with it is among the findings."""
        registers = self._registers()
        wired, constants = self._wired()
        keys = self.keys
        return Profile(
            keys.profile,
            keys.title,
            self.fields,
            self._decoded(),
            self._payloads(registers),
            registers,
            self.file.place("profile"),
            records=self._records(),
            decoded_records=decoded_records_of(keys.decoded_records),
            wired=wired,
            constants=constants,
            alarms=tuple(usual_alarms(keys.alarms, self.fields, self.file, self.findings)),
        )

    def _fields(self) -> Iterator[Field]:
        for name, each in self.keys.fields.items():
            steps: Steps = ("fields", name)
            low, high = range_of(each.range, each.unit, self.file, (*steps, "range"), self.findings) or (
                -math.inf,
                math.inf,
            )
            computed, unit = computed_of(name, self.keys.fields, self.fields, self.file, self.findings)
            yield Field(
                name,
                unit,
                each.label or name.replace("_", " "),
                low,
                high,
                each.decimals,
                each.optional,
                each.stale_after,
                self.file.key_place(*steps),
                can_show=range_of(each.can_show, each.unit, self.file, (*steps, "can_show"), self.findings),
                fastest=self._rate(each.fastest, each.unit, (*steps, "fastest")),
                stuck_after=each.stuck_after,
                low_below=self._amount(each.low_below, each.unit, (*steps, "low_below")),
                counting=self._counting(each, steps),
                computed=computed,
                gas=each.gas,
                lel=self._lel(each, steps),
                agrees_within=self._within(each, steps),
            )

    def _lel(self, keys: FieldKeys, steps: Steps) -> float | None:
        """The %vol that 100 %LEL stands for."""
        lel = self._amount(keys.lel, "%vol", (*steps, "lel"))
        if lel is not None and not 0 < lel < PERCENT:
            what = f"`lel`: `{keys.lel}` is no explosive limit"
            self.findings.wrong(self.file.place(*steps, "lel"), what, "Write the %vol that 100 %LEL stands for")
            return None
        return lel

    def _within(self, keys: FieldKeys, steps: Steps) -> float | None:
        """How far a reading and the meter's display may be apart."""
        within = self._amount(keys.agrees_within, keys.unit, (*steps, "agrees_within"))
        if within is not None and within <= 0:
            what = f"`agrees_within`: `{keys.agrees_within}` lets no reading agree"
            cure = "Write how far it may be from the display, more than zero"
            self.findings.wrong(self.file.place(*steps, "agrees_within"), what, cure)
        return within

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

    def _index(self, name: str, place: Place) -> int | None:
        names = [each.name for each in self.fields]
        if name in names:
            if self.fields[names.index(name)].computed is None:
                return names.index(name)
            self.findings.wrong(place, f"`{name}` is computed, and no meter sends it", "Leave it out here")
            return None
        what = f"profile {self.keys.profile} has no field `{name}`"
        self.findings.wrong(place, what, near(name, names, "It has"))
        return None

    def _line(self, keys: DecodedKeys | BinaryItemKeys | AtRegisterKeys, index: int, steps: Steps) -> Scale:
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
            sent = ((index, each.name) for index, each in enumerate(self.fields) if each.computed is None)
            return tuple(DecodedField(index, pointer_to(name), IDENTITY) for index, name in sent)
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
        found = (
            self._register(each, each.field, listed, ("registers", "items", at)) for at, each in enumerate(listed.items)
        )
        return tuple(item for item in found if item is not None)

    def _wired(self) -> tuple[tuple[RegisterItem, ...], tuple[Constant, ...]]:
        """What the meter showed to those who read it by wire, where it is declared: its fields and its constants."""
        listed = self.keys.wired
        fields: list[RegisterItem] = []
        constants: list[Constant] = []
        for at, each in enumerate(listed.items if listed else ()):
            steps: Steps = ("wired", "items", at)
            if listed and each.field is not None:
                item = self._register(each, each.field, listed, steps)
                fields += [] if item is None else [item]
            elif listed and each.constant is not None:
                constants.append(self._constant(each, each.constant, listed, steps))
        self._check_apart([*fields, *constants])
        return tuple(fields), tuple(constants)

    def _register(self, keys: AtRegisterKeys, field: str, listed: Listed, steps: Steps) -> RegisterItem | None:
        index = self._index(field, self.file.place(*steps, "field"))
        if index is None:
            return None
        encoding = _encoding(keys, listed)
        self._check_bits(keys, 0 if encoding.is_float else 16 * encoding.registers, steps)
        function, place = int(keys.function or listed.function), self.file.place(*steps)
        line = self._line(keys, index, steps)
        item = RegisterItem(index, function, keys.at, encoding, line, keys.bits, keys.faults, place)
        self._check_end(item, steps)
        return item

    def _constant(self, keys: WiredKeys, raw: float, listed: Listed, steps: Steps) -> Constant:
        encoding = _encoding(keys, listed)
        for key in ("bits", "unit", "scale", "offset", "faults"):
            if key in keys.model_fields_set:
                what = f"`{key}` means nothing for a constant"
                self.findings.wrong(
                    self.file.key_place(*steps, key), what, "Leave it out; a constant is the register's own number"
                )
        if not fits(raw, encoding):
            what = f"the constant {raw:g} does not fit {encoding.type}{span_of(encoding)}"
            self.findings.wrong(self.file.place(*steps, "constant"), what, "Choose another type")
            raw = 0
        number = raw if encoding.is_float else int(raw)
        constant = Constant(int(keys.function or listed.function), keys.at, encoding, number, self.file.place(*steps))
        self._check_end(constant, steps)
        return constant

    def _check_end(self, item: RegisterItem | Constant, steps: Steps) -> None:
        if item.end > TABLE_SIZE:
            what = "the value reaches past register 65535"
            self.findings.wrong(self.file.place(*steps, "at"), what, "Check the address")

    def _check_apart(self, lines: Sequence[RegisterItem | Constant]) -> None:
        """No two lines of the wired list claim one bit: nobody could tell which of them a reader gets."""
        for at, each in enumerate(lines):
            for before in lines[:at]:
                if each.function == before.function and _share(each, before):
                    what = f"register {max(each.address, before.address)} is taken by {before.place.short} too"
                    self.findings.wrong(each.place, what, "Move one of them, or give each its own `bits`")
                    break

    def _check_bits(self, keys: BinaryItemKeys | AtRegisterKeys, available: int, steps: Steps) -> None:
        if keys.bits and keys.bits[1] >= available:
            what = f"bits up to {keys.bits[1]} cannot be taken from {keys.as_}"
            cure = "Take bits from an unsigned integer that is wide enough"
            self.findings.wrong(self.file.place(*steps, "bits"), what, cure)

    def _payloads(self, registers: tuple[RegisterItem, ...]) -> dict[int | None, Binary | Response]:
        result: dict[int | None, Binary | Response] = {}
        ports = [each.port for each in self.keys.payloads]
        for at, each in enumerate(self.keys.payloads):
            if each.port in ports[:at]:
                name = "every other port" if each.port is None else f"port {each.port}"
                cure = "Keep one, or give the other its own port"
                self.findings.wrong(self.file.place("payloads", at, "port"), f"{name} has two payloads", cure)
            elif each.binary and each.binary.records is None:
                result[each.port] = self._binary(each.binary, ("payloads", at, "binary"))
            elif each.modbus:
                result[each.port] = self._response(each.modbus, registers, ("payloads", at, "modbus"))
        return result

    def _records(self) -> dict[int | None, Records]:
        """The payloads that carry several readings, by port."""
        result: dict[int | None, Records] = {}
        for at, each in enumerate(self.keys.payloads):
            if each.binary is not None and each.binary.records is not None and each.port not in result:
                steps: Steps = ("payloads", at, "binary")
                layout = self._binary(each.binary, steps)
                result[each.port] = records_of(each.binary, layout)
                check_records(each.binary, self.file, steps, self.findings)
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
            size = size_of(each.as_)
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
        windows = tuple(Window(int(read.function), read.from_, read.count) for read in keys.reads)
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


def _encoding(keys: AtRegisterKeys, listed: Listed) -> Encoding:
    return Encoding.number(keys.as_, Order(keys.words or listed.words), Order(keys.bytes_ or listed.bytes_))


def _share(one: RegisterItem | Constant, other: RegisterItem | Constant) -> bool:
    """Whether two lines have a bit in common."""
    if one.end <= other.address or other.end <= one.address:
        return False
    if one.address != other.address or one.end != other.end:
        return True
    masks = (each.mask if isinstance(each, RegisterItem) else b"\xff" * len(each.data) for each in (one, other))
    return any(mine & its for mine, its in zip(*masks, strict=True))
