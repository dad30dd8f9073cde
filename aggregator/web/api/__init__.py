"""The interface for programs, and for our own pages: JSON under /api/v1, described by /api/v1/openapi.json.

What is asked is asked of the service's own commands, the same that the command line uses: one road, one entry in the
journal, with the visitor's name as who did it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from aggregator import __version__
from aggregator.core.errors import AggregatorError
from aggregator.web.api import alarms, journal, links, mapping, meters, nodes, service
from aggregator.web.api.asking import REFUSED
from aggregator.web.live import Live
from aggregator.web.offer import Offer

__all__ = ["build_api"]

MOST_TOLD = 5  # of what is wrong with one request
LONGEST_NAME = 64


def build_api(offer: Offer, live: Live) -> FastAPI:
    """The application to be mounted under /api/v1."""
    api = FastAPI(
        title="Gas meter aggregator",
        version=__version__,
        summary="Readings, alarms, map and links of one site. Monitoring, not a safety function.",
        docs_url=None,  # their pages fetch from elsewhere, and a gateway has no elsewhere
        redoc_url=None,
        responses=REFUSED,
    )
    api.state.offer, api.state.live, api.state.making = offer, live, asyncio.Lock()
    for part in (meters, alarms, journal, mapping, service, links, nodes):
        api.include_router(part.router)
    api.add_exception_handler(AggregatorError, _refused)
    api.add_exception_handler(HTTPException, _wrong)
    api.add_exception_handler(RequestValidationError, _not_understood)
    return api


async def _refused(_request: Request, error: Exception) -> Response:
    return JSONResponse({"wrong": str(error)}, 409)


async def _wrong(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"wrong": f"{error.detail}."}, error.status_code, error.headers)


async def _not_understood(_request: Request, error: Exception) -> Response:
    """Say what is wrong without what was given: that may be as long as a request, and need not be text."""
    assert isinstance(error, RequestValidationError)
    found = error.errors()
    said = [_sentence_of(each) for each in found[:MOST_TOLD]]
    more = f"; and {len(found) - MOST_TOLD} more" if len(found) > MOST_TOLD else ""
    return JSONResponse({"wrong": f"{'; '.join(said)}{more}."}, 422)


def _sentence_of(problem: Mapping[str, Any]) -> str:
    """What is wrong with which key or parameter, as text that can be sent whatever that was."""
    if problem["type"] == "json_invalid":
        return "the body is no JSON"
    name = str(problem["loc"][-1])[:LONGEST_NAME].encode("utf-8", "replace").decode()
    return f"{name}: {problem['msg']}"
