"""The interface about the journal: what happened at the site and who did it, newest first."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import Field

from aggregator.web.api.answers import answered
from aggregator.web.api.answers.history import Journal
from aggregator.web.api.asking import After, Looker, Moment, TheOffer, answer

MOST_ROWS = 500
router = APIRouter(prefix="/journal", tags=["journal"])

Names = Annotated[list[Annotated[str, Field(max_length=200)]] | None, Query(max_length=100)]


@router.get("", summary="What happened, newest first, a page at a time", responses=answered(Journal))
async def page(
    offer: TheOffer,
    who: Looker,
    *,
    tag: Names = None,
    event: Names = None,
    alarm: Names = None,
    by: Annotated[Names, Query(alias="who", description="who did it")] = None,
    about_alarms: Annotated[bool, Query(description="only what tells of an alarm or of the sounder")] = False,
    since: Moment = None,
    until: Moment = None,
    most: Annotated[int, Query(ge=1, le=MOST_ROWS)] = 100,
    after: After = None,
) -> Response:
    lists = {"tags": tag, "events": event, "alarms": alarm, "people": by}
    extent = {"since": since, "until": until, "most": most, "after": after}
    return await answer(offer, "journal", None, who, **lists, **extent, about_alarms=about_alarms)
