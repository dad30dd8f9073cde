"""The interface about links: how far the site is, and a node onto a meter, off it, exchanged, verified."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import FileResponse, Response
from pydantic import BaseModel, Field

from aggregator.core.device_code import MOST
from aggregator.core.link import LONGEST
from aggregator.core.link_progress import Stage
from aggregator.web.api.answers import answered
from aggregator.web.api.answers.links import AtTheMeter, Links, LinksOf, MeterSwapped, PutOnNow
from aggregator.web.api.asking import (
    NO_METER,
    Asked,
    Engineer,
    KnownTag,
    Looker,
    TheOffer,
    answer,
    carry_out,
)
from aggregator.web.guard import Visitor
from aggregator.web.offer import Offer

PART = 100  # meters in one answer
KINDS = {".jpg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}
PHOTOS = "photos"  # the folder in the data folder where they are kept
router = APIRouter(prefix="/links", tags=["links"])


class Shown(BaseModel):
    """What the meter's own display shows of a field, in the field's unit."""

    value: float = Field(allow_inf_nan=False)
    unit: str = Field(max_length=32)


class Counters(BaseModel):
    """What a counter shows of the old meter, null where that cannot be read any more, and of the new one."""

    old: float | None = Field(None, ge=0, allow_inf_nan=False)
    new: float = Field(ge=0, allow_inf_nan=False)


class Notes(Asked):
    """What is noted of a link; a line each."""

    place: str | None = Field(None, max_length=LONGEST["place"])
    antenna: str | None = Field(None, max_length=LONGEST["antenna"])
    note: str | None = Field(None, max_length=LONGEST["note"])


class PutOn(Notes):
    """A node by its DevEUI or the text of its QR code, since a UTC second or now, and what the display shows."""

    node: str = Field(max_length=MOST)
    since: float | None = None
    shows: dict[str, Shown] = Field(default_factory=dict, max_length=100)


class Verify(Notes):
    """What the display shows, by field, or notes, or both."""

    shows: dict[str, Shown] = Field(default_factory=dict, max_length=100)


class SwapMeter(Notes):
    """What the counters of the old and the new meter show, by field, of every field that counts."""

    counters: dict[str, Counters] = Field(default_factory=dict, max_length=100)


class Unlink(Asked):
    """Why the node is taken off."""

    why: str = Field("", max_length=200)


@router.get(
    "", summary="How far the site is, and each meter with its stage, a part at a time", responses=answered(Links)
)
async def links(
    offer: TheOffer,
    who: Looker,
    find: Annotated[str | None, Query(max_length=100, description="a part of tag, name, area or node")] = None,
    area: Annotated[str | None, Query(max_length=100)] = None,
    stage: Stage | None = None,
    skip: Annotated[int, Query(alias="from", ge=0, le=1_000_000, description="how many to leave out")] = 0,
    most: Annotated[int, Query(ge=1, le=PART)] = PART,
) -> Response:
    wanted = {"find": find, "area": area, "stage": str(stage) if stage else None}
    return await answer(offer, "links", None, who, **wanted, **{"from": skip}, most=most)


@router.get(
    "/{tag}",
    summary="A meter's link, those before it, and what a display can be compared with",
    responses=answered(AtTheMeter) | NO_METER,
)
async def links_of(tag: KnownTag, offer: TheOffer, who: Looker) -> Response:
    return await answer(offer, "links of", None, who, tag=tag)


@router.post("/{tag}/link", summary="Put a node on a meter that has none", responses=answered(PutOnNow) | NO_METER)
async def link(tag: KnownTag, asked: PutOn, offer: TheOffer, who: Engineer) -> Response:
    return await _do(offer, "link", asked, who, tag)


@router.post("/{tag}/swap-node", summary="Another node sits on the meter now", responses=answered(PutOnNow) | NO_METER)
async def swap_node(tag: KnownTag, asked: PutOn, offer: TheOffer, who: Engineer) -> Response:
    return await _do(offer, "swap node", asked, who, tag)


@router.post(
    "/{tag}/swap-meter",
    summary="Another meter stands in the old one's place; totals carry on",
    responses=answered(MeterSwapped) | NO_METER,
)
async def swap_meter(tag: KnownTag, asked: SwapMeter, offer: TheOffer, who: Engineer) -> Response:
    return await _do(offer, "swap meter", asked, who, tag)


@router.post(
    "/{tag}/verify",
    summary="Hold the meter's display against the reading, and note things",
    responses=answered(LinksOf) | NO_METER,
)
async def verify(tag: KnownTag, asked: Verify, offer: TheOffer, who: Engineer) -> Response:
    return await _do(offer, "verify", asked, who, tag)


@router.post("/{tag}/unlink", summary="Take the node off a meter", responses=answered(LinksOf) | NO_METER)
async def unlink(tag: KnownTag, asked: Unlink, offer: TheOffer, who: Engineer) -> Response:
    return await _do(offer, "unlink", asked, who, tag)


@router.put(
    "/{tag}/photo",
    summary="Keep a photo (JPEG, PNG, WebP) of the node on its meter",
    responses=answered(LinksOf) | NO_METER,
    openapi_extra={"requestBody": {"content": {"image/*": {"schema": {"type": "string", "format": "binary"}}}}},
)
async def keep_photo(tag: KnownTag, request: Request, offer: TheOffer, who: Engineer) -> Response:
    photo = await request.body()
    path = await asyncio.to_thread(_lay_down, photo, offer.data)
    try:
        return await answer(offer, "verify", None, who, tag=tag, photo=str(path))
    finally:
        await asyncio.to_thread(path.unlink, missing_ok=True)


@router.get(
    "/{tag}/photos/{name}",
    summary="A photo on record of a meter's links",
    response_class=FileResponse,
    responses=NO_METER,
)
async def photo_of(tag: KnownTag, name: str, offer: TheOffer, who: Looker) -> Response:
    told = await carry_out(offer, "links of", None, who, tag=tag)
    known = {each["photo"] for each in (told["link"], *told["past"]) if each}
    path = offer.data / PHOTOS / name
    if name not in known or not await asyncio.to_thread(path.is_file):
        raise HTTPException(404, f"there is no photo {name} of {tag}")
    return FileResponse(path, media_type=KINDS[path.suffix])


async def _do(offer: Offer, name: str, asked: Asked, who: Visitor, tag: str) -> Response:
    said = {key: value for key, value in asked.model_dump().items() if value is not None}
    return await answer(offer, name, None, who, tag=tag, **said)


def _lay_down(photo: bytes, folder: Path) -> Path:
    """Lay a photo down where the service takes it from."""
    with tempfile.NamedTemporaryFile(dir=folder, suffix=".part", delete=False) as file:
        file.write(photo)
    return Path(file.name)
