"""What follows from a session's sheet, over HTTP: this configuration and the next flight. They only read and compute."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import isfinite
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import Response

from server.design.configuration import ConfigurationProblem
from server.design.next_flight import CHANGES, FlightChange, NextFlightProblem, change_of, configured, next_flight
from server.flight.airframe.thrust_curve import CurveProblem, curve_of_csv
from server.http.context import LIVE, PageContext
from server.http.openapi import PLAN_QUERY, given, refusals
from server.json_text import to_json
from server.review.review import Review, final_figures

Sheet = Mapping[str, object]
CURVE_AT_MOST = 12_000  # it comes in the address, and a whole head holds 64 KiB


def add_plan_routes(app: FastAPI, site: PageContext, opened: Callable[[str], Review]) -> None:
    """Add the routes; `opened` gives a session by name or refuses with its answer. The live session goes by `LIVE`.

    `next-flight` takes the changes of `next_flight.CHANGES` as numbers, `keep_margin=1`, and another motor's thrust curve as
    the text of its CSV in `thrust`. Without a change it answers with the flight as the sheet has it.
    """
    read = refusals(404, 409, 503)
    shape: dict[str, Any] = {"response_class": Response, "responses": {**given("application/json"), **read}}

    def case(name: str) -> tuple[Sheet, Sheet, Mapping[str, Sheet]]:
        if name == LIVE and site.station is not None:
            return *site.station.header.sheets, {}
        review = opened(name)
        return *review.session.header.sheets, final_figures(review)

    @app.get("/api/sessions/{name}/next-flight", openapi_extra=PLAN_QUERY, **shape)
    async def planned(name: str, request: Request) -> Response:
        change = _change(request.query_params)
        return await site.work.run(lambda: _told(lambda: next_flight(*case(name), change)))

    @app.get("/api/sessions/{name}/configuration", **shape)
    async def configuration(name: str) -> Response:
        return await site.work.run(lambda: _told(lambda: configured(*case(name)[:2])))


def _told(work: Callable[[], Mapping[str, object]]) -> Response:
    try:
        return Response(to_json(work()), media_type="application/json")
    except (NextFlightProblem, ConfigurationProblem) as problem:
        raise HTTPException(409, _sentence(str(problem))) from problem


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"The sheet cannot be used: {text}."


def _change(query: Mapping[str, str]) -> FlightChange:
    numbers = {name: _number(name, query[name]) for name in CHANGES if query.get(name)}
    thrust = query.get("thrust")
    if thrust and len(thrust) > CURVE_AT_MOST:
        raise HTTPException(422, "The thrust curve is too long; a hundred points are plenty.")
    try:
        curve = curve_of_csv(thrust) if thrust else None
    except CurveProblem as problem:
        raise HTTPException(422, f"The other motor: {problem}.") from problem
    return change_of(numbers, curve, query.get("keep_margin") == "1")


def _number(name: str, text: str) -> float:
    low, high = CHANGES[name]
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or not low <= value <= high:
        raise HTTPException(422, f"{name} is a number from {low:g} to {high:g}.")
    return value
