"""What the parts of the interface share: who may ask, of which meter, and how it is asked of the service."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from fastapi import Depends, HTTPException, Path, Query, Request
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict
from pydantic_core import to_json

from aggregator.web.guard import Visitor
from aggregator.web.live import Live
from aggregator.web.offer import Offer
from aggregator.web.people import Role

Moment = Annotated[float | None, Query(ge=-1e11, le=1e11, allow_inf_nan=False, description="UTC s")]
After = Annotated[str | None, Query(max_length=40, description="what the page before told as `after`")]


class Wrong(BaseModel):
    """What keeps a request from being carried out, in a sentence."""

    wrong: str


class Asked(BaseModel):
    """A request's body: no key that is not known, no number that is none."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


REFUSED: dict[int | str, dict[str, Any]] = {
    400: {"model": Wrong, "description": "no JSON"},
    401: {"model": Wrong, "description": "sign in, or send a key"},
    403: {"model": Wrong, "description": "the role may not"},
    409: {"model": Wrong, "description": "cannot be carried out now; says why"},
    413: {"model": Wrong, "description": "too large"},
    422: {"model": Wrong, "description": "a key or a parameter is not as described; says which"},
}
NO_METER: dict[int | str, dict[str, Any]] = {404: {"model": Wrong, "description": "there is no such meter"}}


def needs(role: Role) -> Callable[[Request], Visitor]:
    """What lets nobody pass who may not do what the role may."""

    def visitor_of(request: Request) -> Visitor:
        visitor: Visitor = request.state.visitor
        if visitor.role is None or (not visitor.name and not visitor.may(role)):
            raise HTTPException(401, "sign in first, or send a key")
        if not visitor.may(role):
            raise HTTPException(403, f"that needs the role {role.words}, and yours is {visitor.role.words}")
        return visitor

    return visitor_of


def _offer(request: Request) -> Offer:
    offer: Offer = request.app.state.offer
    return offer


def _live(request: Request) -> Live:
    live: Live = request.app.state.live
    return live


TheOffer = Annotated[Offer, Depends(_offer)]
TheLive = Annotated[Live, Depends(_live)]
Looker = Annotated[Visitor, Depends(needs(Role.LOOK))]
Operator = Annotated[Visitor, Depends(needs(Role.OPERATE))]
Engineer = Annotated[Visitor, Depends(needs(Role.ENGINEER))]


def _known(tag: Annotated[str, Path(max_length=64, description="the meter's tag")], offer: TheOffer) -> str:
    if tag not in offer.site().states:
        raise HTTPException(404, f"this site has no meter {tag}")
    return tag


KnownTag = Annotated[str, Depends(_known)]


async def carry_out(
    offer: Offer, name: str, asked: BaseModel | None, who: Visitor, **more: object
) -> Mapping[str, Any]:
    """Have one of the service's commands carried out for a visitor. Raises AggregatorError where it cannot be."""
    body = asked.model_dump() if asked is not None else {}
    return await offer.ask(name, {**body, **more, "who": who.name or "somebody who looks"})


async def answer(offer: Offer, name: str, asked: BaseModel | None, who: Visitor, **more: object) -> Response:
    """What the service answers to a command, as JSON, which knows no NaN. Raises AggregatorError as `carry_out`."""
    told = await carry_out(offer, name, asked, who, **more)
    return Response(to_json(told, inf_nan_mode="null"), media_type="application/json")
