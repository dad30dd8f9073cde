"""The interface about the service itself, and the live stream."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse, Response, StreamingResponse

from aggregator.web.api.answers import answered
from aggregator.web.api.answers.mapping import Clients
from aggregator.web.api.answers.service import Aside, Log, Problems, Reloaded, Replayed, Settings, Status, Upkeep
from aggregator.web.api.asking import Engineer, Looker, Operator, TheLive, TheOffer, Wrong, answer

router = APIRouter(tags=["service"])


@router.get("/service", summary="What the service says of itself", responses=answered(Status))
async def status(offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "status", None, who)


@router.get(
    "/clients", summary="Who polls, what they were refused, and what they probably meant", responses=answered(Clients)
)
async def clients(offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "clients", None, who)


@router.get("/settings", summary="Numbers of the site that may be changed", responses=answered(Settings))
async def settings(offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "settings", None, who)


@router.get("/upkeep", summary="What meters need, worst first", responses=answered(Upkeep))
async def upkeep(
    offer: TheOffer,
    who: Looker,
    *,
    every: Annotated[bool, Query(alias="all", description="every meter, also those that need nothing")] = False,
    skip: Annotated[int, Query(alias="from", ge=0, le=1_000_000, description="how many to leave out")] = 0,
) -> Response:
    return await answer(offer, "upkeep", None, who, **{"all": every, "from": skip})


@router.get("/service/aside", summary="Messages set aside, oldest first, a part at a time", responses=answered(Aside))
async def aside(
    offer: TheOffer, who: Engineer, after: Annotated[int, Query(ge=0, le=2**53, description="beyond this id")] = 0
) -> Response:
    return await answer(offer, "aside", None, who, after=after)


@router.get("/service/log", summary="The newest lines of the service's log, oldest first", responses=answered(Log))
async def log_lines(offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "log", None, who)


@router.get(
    "/service/check", summary="What is wrong with the site's files as they now are", responses=answered(Problems)
)
async def check(offer: TheOffer, who: Operator) -> Response:
    return await answer(offer, "check", None, who)


@router.post("/service/reload", summary="Take the site's files anew", responses=answered(Reloaded))
async def reload(offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "reload", None, who)


@router.post("/service/replay", summary="Take what was set aside once more", responses=answered(Replayed))
async def replay(offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "replay aside", None, who)


@router.get(
    "/live",
    summary="What changes, as it changes (server-sent events): `site`, `meters`, `alarms`, once a second at most",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {}}}, 503: {"model": Wrong}},
)
async def live_stream(live: TheLive, _: Looker) -> Response:
    if live.is_full:
        return JSONResponse({"wrong": "too many pages follow already."}, 503)
    return StreamingResponse(live.follow(), media_type="text/event-stream")
