"""The interface about alarms: what stands, and what operators do about it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import Field

from aggregator.web.api.answers import answered
from aggregator.web.api.answers.alarms import (
    Acknowledged,
    AlarmFigures,
    AlarmsNow,
    Done,
    SetpointNow,
    Sounder,
    Switched,
)
from aggregator.web.api.asking import Asked, Engineer, Looker, Operator, TheOffer, answer

MOST_SEQUENCES = 5000
LONGEST_SHELF = 366 * 86400.0  # s; the service has a bound of its own
router = APIRouter(prefix="/alarms", tags=["alarms"])


class Acknowledge(Asked):
    """The sequence numbers of alarms that were seen."""

    sequences: list[Annotated[int, Field(ge=0, le=2**32)]] = Field(max_length=MOST_SEQUENCES)


class OfAlarm(Asked):
    """Which alarm is meant."""

    tag: str = Field(max_length=64)
    alarm: str = Field(max_length=64)


class Shelve(OfAlarm):
    """For how long (s) an alarm is put aside, and why."""

    lasts: float = Field(gt=0, le=LONGEST_SHELF)
    why: str = Field(min_length=1, max_length=200)


class Serve(OfAlarm):
    """Whether an alarm is in service."""

    on: bool


class Setpoint(OfAlarm):
    """Another setpoint, in the field's unit; null for the file's."""

    value: float | None


class Suppress(Asked):
    """A suppression that is switched by hand."""

    name: str = Field(max_length=64)
    on: bool


@router.get("", summary="Alarms that are not normal, worst first", responses=answered(AlarmsNow))
async def standing(
    offer: TheOffer,
    who: Looker,
    *,
    every: Annotated[bool, Query(alias="all", description="every alarm that is declared")] = False,
    of: Annotated[list[str] | None, Query(max_length=100, description="tags of meters, names of groups")] = None,
) -> Response:
    return await answer(offer, "alarms", None, who, all=every, of=of)


@router.get(
    "/figures",
    summary="How well the alarms serve: loads, floods, chatter, each beside its target",
    responses=answered(AlarmFigures),
)
async def figures(
    offer: TheOffer,
    who: Looker,
    since: Annotated[
        float | None, Query(ge=-1e11, le=1e11, allow_inf_nan=False, description="UTC seconds; the last 30 days")
    ] = None,
) -> Response:
    return await answer(offer, "alarm figures", None, who, since=since)


@router.post("/acknowledge", summary="Acknowledge alarms that were seen", responses=answered(Acknowledged))
async def acknowledge(asked: Acknowledge, offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "acknowledge", asked, who)


@router.post("/reset", summary="Reset a latched alarm", responses=answered(Done))
async def reset(asked: OfAlarm, offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "reset", asked, who)


@router.post("/shelve", summary="Shelve an alarm for a time", responses=answered(Done))
async def shelve(asked: Shelve, offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "shelve", asked, who)


@router.post("/unshelve", summary="Bring a shelved alarm back", responses=answered(Done))
async def unshelve(asked: OfAlarm, offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "unshelve", asked, who)


@router.post("/silence", summary="Silence the sounder", responses=answered(Sounder))
async def silence(offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "silence", None, who)


@router.post("/service", summary="Take an alarm out of service, or put it back", responses=answered(Done))
async def serve(asked: Serve, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "alarm service", asked, who)


@router.post("/setpoint", summary="Change a setpoint within its limits", responses=answered(SetpointNow))
async def set_setpoint(asked: Setpoint, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "setpoint", asked, who)


@router.post("/suppress", summary="Switch a suppression by hand", responses=answered(Switched))
async def suppress(asked: Suppress, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "suppress", asked, who)
