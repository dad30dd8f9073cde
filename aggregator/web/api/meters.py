"""The interface about meters."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import Field

from aggregator.core.overview import Line
from aggregator.web.api.answers import answered
from aggregator.web.api.answers.history import Chart, Readings
from aggregator.web.api.answers.meters import HeldInTest, MeterNow, Places, Substitution, TotalSet, Uplinks, Withdrawn
from aggregator.web.api.asking import (
    NO_METER,
    After,
    Asked,
    Engineer,
    KnownTag,
    Looker,
    Moment,
    Operator,
    TheLive,
    TheOffer,
    answer,
)
from aggregator.web.live import LINES

LONGEST_HOLD = 366 * 86400.0  # s
router = APIRouter(prefix="/meters", tags=["meters"])


class Test(Asked):
    """Whether a technician holds the meter in test, and why."""

    on: bool
    why: str = Field("", max_length=200)


class Substitute(Asked):
    """A value entered by hand over a field's readings, in its unit, for so many seconds."""

    field: str = Field(max_length=64)
    value: float
    lasts: float = Field(gt=0, le=LONGEST_HOLD)
    why: str = Field("", max_length=200)


class Withdraw(Asked):
    """The field whose readings are to be shown again."""

    field: str = Field(max_length=64)


class Total(Asked):
    """A running total as it is to go on, in the field's unit; `counter` is what the new meter shows."""

    field: str = Field(max_length=64)
    total: float = Field(ge=0)
    counter: float | None = Field(None, ge=0)


@router.get("", summary="Every meter in a line", response_model=list[Line])
async def lines(live: TheLive, _: Looker) -> Response:
    return Response(LINES.dump_json(await live.lines()), media_type="application/json")


@router.get("/{tag}", summary="All that is known of one meter now", responses=answered(MeterNow) | NO_METER)
async def meter(tag: KnownTag, offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "meter", None, who, tag=tag)


@router.get(
    "/{tag}/chart",
    summary="One field over time, as many points as a screen can show",
    responses=answered(Chart) | NO_METER,
)
async def chart(
    tag: KnownTag,
    offer: TheOffer,
    who: Looker,
    field: Annotated[str, Query(max_length=64)],
    since: Moment = None,
    until: Moment = None,
    most: Annotated[int, Query(ge=1, le=2000, description="points at most")] = 1000,
) -> Response:
    return await answer(offer, "chart", None, who, tag=tag, field=field, since=since, until=until, most=most)


@router.get(
    "/{tag}/readings",
    summary="Readings that were kept, newest first, page by page",
    responses=answered(Readings) | NO_METER,
)
async def readings(
    tag: KnownTag,
    offer: TheOffer,
    who: Looker,
    fields: Annotated[list[str] | None, Query(max_length=50)] = None,
    since: Moment = None,
    until: Moment = None,
    most: Annotated[int, Query(ge=1, le=1000)] = 100,
    after: After = None,
) -> Response:
    span = {"since": since, "until": until}
    return await answer(offer, "readings", None, who, tag=tag, fields=fields, most=most, after=after, **span)


@router.get(
    "/{tag}/uplinks",
    summary="The last uplinks and how each reads, step by step",
    responses=answered(Uplinks) | NO_METER,
)
async def uplinks(tag: KnownTag, offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "uplinks", None, who, tag=tag)


@router.get(
    "/{tag}/places",
    summary="Where a meter stands in the map, and what its registers hold",
    responses=answered(Places) | NO_METER,
)
async def places(tag: KnownTag, offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "places", None, who, tag=tag)


@router.post("/{tag}/test", summary="Hold a meter in test, or end that", responses=answered(HeldInTest) | NO_METER)
async def hold_in_test(tag: KnownTag, asked: Test, offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "test", asked, who, tag=tag)


@router.post(
    "/{tag}/substitute",
    summary="Show a value entered by hand over a field's readings",
    responses=answered(Substitution) | NO_METER,
)
async def substitute(tag: KnownTag, asked: Substitute, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "substitute", asked, who, tag=tag)


@router.post("/{tag}/withdraw", summary="Show a field's readings again", responses=answered(Withdrawn) | NO_METER)
async def withdraw(tag: KnownTag, asked: Withdraw, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "withdraw", asked, who, tag=tag)


@router.post(
    "/{tag}/total", summary="Set a running total, as when a meter is exchanged", responses=answered(TotalSet) | NO_METER
)
async def set_total(tag: KnownTag, asked: Total, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "total", asked, who, tag=tag)
