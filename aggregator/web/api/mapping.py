"""The interface about the map: what stands where, poll plans, and register lists to be taken along."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from fastapi.responses import Response

from aggregator.core.address_map import Device
from aggregator.core.poll_plan import MOST_BITS, MOST_REGISTERS
from aggregator.core.site import Site
from aggregator.register_list import (
    Choice,
    RegisterList,
    csv_text,
    html_text,
    json_text,
    markdown_text,
    plan_csv_text,
)
from aggregator.web.api.answers import answered
from aggregator.web.api.answers.mapping import BlockNow, Found, Map, Plan, RegisterNow, Strip
from aggregator.web.api.asking import Looker, TheOffer, Wrong, answer

LAST = 65535
MOST_NAMES = 200
TEXTS: dict[str, tuple[Callable[[RegisterList], str], str]] = {
    "csv": (csv_text, "text/csv"),
    "html": (html_text, "text/html"),
    "json": (json_text, "application/json"),
    "md": (markdown_text, "text/markdown"),
}
router = APIRouter(prefix="/map", tags=["map"])


def _turn(request: Request) -> asyncio.Lock:
    turn: asyncio.Lock = request.app.state.making
    return turn


Turn = Annotated[asyncio.Lock, Depends(_turn)]
"""One file is made at a time: a large site's takes a while and much memory."""

OfDevice = Annotated[str | None, Query(max_length=64, description="name of a device; left out, the first")]
Names = Annotated[list[str] | None, Query(max_length=MOST_NAMES)]
At = Annotated[str, Query(max_length=24, description="an address: input:122, 30123, 0x7A")]
Limit = Annotated[int, Query(ge=1, le=MOST_REGISTERS, description="registers a read may ask for")]
LimitOfBits = Annotated[int, Query(ge=1, le=MOST_BITS, description="bits a read may ask for")]
Strict = Annotated[bool, Query(description="run over no address that has no item")]
NO_DEVICE: dict[int | str, dict[str, Any]] = {404: {"model": Wrong, "description": "there is no such device"}}


@router.get(
    "", summary="Every device with its tables: what is used, spare, kept free and frozen", responses=answered(Map)
)
async def devices(offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "map", None, who)


@router.get(
    "/strip", summary="The blocks and items in a stretch of a table, 2 000 addresses at most", responses=answered(Strip)
)
async def strip(
    offer: TheOffer,
    who: Looker,
    table: Literal["coil", "discrete", "input", "holding"],
    first: Annotated[int, Query(alias="from", ge=0, le=LAST)],
    last: Annotated[int, Query(alias="to", ge=0, le=LAST)],
    device: OfDevice = None,
) -> Response:
    return await answer(offer, "map strip", None, who, device=device, table=table, **{"from": first, "to": last})


@router.get(
    "/find",
    summary="What an address in any notation means, or where a tag or an item stands",
    responses=answered(Found),
)
async def find(
    offer: TheOffer, who: Looker, text: Annotated[str, Query(min_length=1, max_length=64)], device: OfDevice = None
) -> Response:
    return await answer(offer, "map find", None, who, device=device, text=text)


@router.get("/register", summary="What a register is, and what it holds now", responses=answered(RegisterNow))
async def register(offer: TheOffer, who: Looker, at: At, device: OfDevice = None) -> Response:
    return await answer(offer, "explain", None, who, device=device, register=at)


@router.get(
    "/block",
    summary="The items of the block in which a register stands, and what they hold now",
    responses=answered(BlockNow),
)
async def block(
    offer: TheOffer, who: Looker, at: At, device: OfDevice = None, after: Annotated[int, Query(ge=0, le=LAST)] = 0
) -> Response:
    return await answer(offer, "explain block", None, who, device=device, register=at, after=after)


@router.get("/plan", summary="The fewest reads that cover what is chosen, a hundred at once", responses=answered(Plan))
async def plan(
    offer: TheOffer,
    who: Looker,
    unit: Names = None,
    tag: Names = None,
    area: Names = None,
    item: Names = None,
    most: Limit = MOST_REGISTERS,
    most_bits: LimitOfBits = MOST_BITS,
    after: Annotated[int, Query(ge=0, le=LAST)] = 0,
    *,
    strict: Strict = False,
) -> Response:
    chosen = {"units": unit, "tags": tag, "areas": area, "items": item}
    limits = {"most": most, "most_bits": most_bits, "strict": strict}
    return await answer(offer, "map plan", None, who, **chosen, **limits, after=after)


@router.get("/plan.csv", summary="The same as a file, whole", response_class=Response)
async def plan_file(
    offer: TheOffer,
    _: Looker,
    turn: Turn,
    unit: Names = None,
    tag: Names = None,
    area: Names = None,
    item: Names = None,
    most: Limit = MOST_REGISTERS,
    most_bits: LimitOfBits = MOST_BITS,
    *,
    strict: Strict = False,
) -> Response:
    choice, declared = Choice(unit or (), tag or (), area or (), item or ()), offer.site().declared
    text = await _made(turn, lambda: plan_csv_text(choice.plan(declared, most, most_bits, strict=strict)))
    return _file(text, "text/csv", "poll-plan.csv")


@router.get("/list.{form}", summary="The register list as a file", response_class=Response, responses={**NO_DEVICE})
async def list_file(
    offer: TheOffer, _: Looker, turn: Turn, form: Literal["csv", "html", "json", "md"], device: OfDevice = None
) -> Response:
    declared = offer.site().declared
    only = None if device is None else _named(offer.site(), device)
    write, kind = TEXTS[form]
    text = await _made(turn, lambda: write(RegisterList.of(declared, only)))
    return _file(text, kind, f"register-list.{form}")


def _named(site: Site, name: str) -> Device:
    for device in site.declared.devices:
        if device.name == name:
            return device
    raise HTTPException(404, f"this site has no device {name}")


async def _made(turn: asyncio.Lock, make: Callable[[], str]) -> bytes:
    """A text made on a thread: polls are answered meanwhile."""
    async with turn:
        return await asyncio.to_thread(lambda: make().encode())


def _file(text: bytes, kind: str, name: str) -> Response:
    """An answer that browsers save: as a page it would be held to this site's policy, which allows it no style."""
    return Response(text, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})
