"""The interface about nodes that are heard and sit on no meter."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import Field

from aggregator.core.device_code import MOST
from aggregator.web.api.answers import answered
from aggregator.web.api.answers.nodes import CodeSays, NodeNow, Nodes
from aggregator.web.api.asking import Asked, Engineer, TheOffer, answer

PART = 20  # nodes in one answer: each is tried by every profile
router = APIRouter(prefix="/nodes", tags=["nodes"])


class Code(Asked):
    """The text of a node's QR code, or its DevEUI; with the tag of the meter that it may sit on."""

    node: str = Field(max_length=MOST)
    tag: str | None = Field(None, max_length=64)


@router.get(
    "",
    summary="Nodes heard that sit on no meter, and by which profiles they read, a part at a time",
    responses=answered(Nodes),
)
async def nodes(
    offer: TheOffer,
    who: Engineer,
    skip: Annotated[int, Query(alias="from", ge=0, le=1_000_000, description="how many to leave out")] = 0,
    most: Annotated[int, Query(ge=1, le=PART)] = PART,
) -> Response:
    return await answer(offer, "nodes", None, who, **{"from": skip}, most=most)


@router.post(
    "/code",
    summary="What the code on a node says, where it sits or how it was heard; nothing is changed",
    responses=answered(CodeSays),
)
async def code(asked: Code, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "code", asked, who)


@router.get(
    "/{node}", summary="One of them, with its newest uplinks by every profile that fits", responses=answered(NodeNow)
)
async def node(node: str, offer: TheOffer, who: Engineer) -> Response:
    return await answer(offer, "node", None, who, node=node)
