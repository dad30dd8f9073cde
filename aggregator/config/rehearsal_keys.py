"""A rehearsal as models: steps at times, each with what happens and what is expected then."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from aggregator.config import scalars
from aggregator.config.keys import Keys
from aggregator.config.scalars import Wrong
from aggregator.config.values import WRITTEN, Duration, Text, YesNo

OPERATOR = "operator"


def _texts(value: object) -> list[str]:
    """One text, or a list of them."""
    return [scalars.text(each) for each in value] if isinstance(value, list) else [scalars.text(value)]


def _time(value: object) -> float:
    given = scalars.text(value)
    seconds = scalars.time_of_day(given)
    if seconds is None:
        raise Wrong(f"`{given}` is no time of day", "Write it like 10:05, 10:05:30 or day 2 06:00")
    return seconds


def _lasts(value: object) -> float:
    given = scalars.text(value)
    return 0.0 if given == "at once" else scalars.duration(given.removeprefix("after").strip())


def _jump(value: object) -> float:
    given = scalars.text(value)
    sign, rest = given[:1], given[1:].strip()
    if sign not in ("+", "-"):
        raise Wrong(f"`{given}` says neither forward nor back", "Write +1 h or -1 h")
    return scalars.duration(rest) * (1 if sign == "+" else -1)


Time = Annotated[
    float, BeforeValidator(_time), WithJsonSchema({"type": ["string", "number"], "examples": ["10:05", "day 2 06:00"]})
]
Texts = Annotated[
    list[str],
    BeforeValidator(_texts),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]
Lasts = Annotated[
    float, BeforeValidator(_lasts), WithJsonSchema({"type": "string", "examples": ["at once", "after 5 min"]})
]
Jump = Annotated[float, BeforeValidator(_jump), WithJsonSchema({"type": "string", "examples": ["+1 h", "-10 min"]})]
Wanted = Annotated[str, BeforeValidator(scalars.text), WRITTEN]


class StepKeys(Keys):
    """One step: when it is, what happens, and what is expected once it has happened."""

    at: Time = Field(description="when: 10:05, or `day 2 06:00`")
    every: Duration | None = Field(None, description="again and again, so far apart")
    until: Time | None = Field(None, description="up to then, included")
    says: Text | None = Field(None, description="what this step is about, for people")
    reads: dict[Text, Wanted] | None = Field(None, description="`AT-121 methane: 25 %LEL`; reported at once and on")
    measured: Time | None = Field(None, description="`reads` comes late: it was measured then")
    fault: Texts | None = Field(None, description="what reports a fault in place of a value: `AT-121 methane`")
    silent: Texts | None = Field(None, description="whose node sends nothing: `AT-121`, `AT-121 for 20 min`")
    who: Text = Field(OPERATOR, description="who acts, as the journal has it")
    looked: Time | None = Field(None, description="when who acknowledges or writes looked last; left out, just now")
    acknowledge: Texts | None = Field(None, description="an alarm, a meter, a group, or `all`")
    reset: Texts | None = Field(None, description="a latched alarm: `AT-121 methane high-high`")
    shelve: Texts | None = Field(None, description="`AT-121 methane high for 2 h`; `why` as well")
    why: Text | None = Field(None, description="the reason for shelving")
    unshelve: Texts | None = None
    out_of_service: Texts | None = Field(None, description="`AT-121 methane high on`, or off")
    test: Texts | None = Field(None, description="a meter in test: `AT-121 on`, or off")
    setpoint: dict[Text, Wanted] | None = Field(None, description="`AT-121 methane high: 12 %LEL`, or `as in the file`")
    suppress: Texts | None = Field(None, description="a suppression switched by hand: `flare-overhaul on`, or off")
    coil: dict[Text, Wanted] | None = Field(None, description="plant software writes a coil: `AT-121 acknowledge: 1`")
    holding: dict[Text, Wanted] | None = Field(
        None, description="it writes a holding register: a number, or an alarm whose number it is"
    )
    silence: YesNo = Field(default=False, description="the sounder is silenced")
    restart: Lasts | None = Field(None, description="power is cut, and back: `at once`, `after 5 min`")
    clock: Jump | None = Field(None, description="the gateway's clock is set: `+1 h`, `-10 min`")
    refused: Text | None = Field(None, description="part of the refusal that the act must meet")
    expect: dict[Text, Wanted] = Field(default={}, description="states: `AT-121 methane high: unacknowledged`")
    registers: dict[Text, Wanted] = Field(default={}, description="what registers hold: `AT-121 methane: 25`")

    @model_validator(mode="after")
    def _belong_together(self) -> StepKeys:
        if (self.every is None) is not (self.until is None):
            raise Wrong("`every` and `until` belong together", "Give both, or neither")
        if self.until is not None and self.until < self.at:
            raise Wrong("`until` comes before `at`", "Write a later time")
        if self.shelve is not None and self.why is None:
            raise Wrong("`shelve` has no `why`", "Say why; whoever takes over the shift must know")
        return self


class RehearsalKeys(Keys):
    """A rehearsal: a made-up day, and what the site's alarms are to make of it."""

    rehearsal: Text = Field(description="what is rehearsed, in a sentence")
    never_heard: Texts = Field(default=[], description="meters whose node is heard for the first time when they read")
    steps: list[StepKeys] = Field(min_length=1)
