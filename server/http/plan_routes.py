"""What follows from a session's sheet, over HTTP: this configuration and the next flight. They only read and compute."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import isfinite

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from server.design.configuration import ConfigurationProblem
from server.design.flight_basis import CHANGES, FlightChange, NextFlightProblem, change_of
from server.design.next_flight import configured, next_flight
from server.design.pad_wind import PadWind
from server.flight.airframe.thrust_curve import CurveProblem, curve_of_csv
from server.http.context import LIVE, PageContext, Site
from server.http.openapi import PLAN_QUERY, given, refusals
from server.http.opened import opened
from server.json_text import to_json
from server.review.review import final_figures, measured_wind

Sheet = Mapping[str, object]
CURVE_AT_MOST = 12_000  # it comes in the address, and a whole head holds 64 KiB
ANSWERS = {**given("application/json"), **refusals(404, 409, 503)}


router = APIRouter(prefix="/api/sessions/{name}")


@router.get("/next-flight", openapi_extra=PLAN_QUERY, response_class=Response, responses=ANSWERS)
async def planned(name: str, request: Request, site: Site) -> Response:
    """Return the forecast of the next flight.

    It takes the changes of `next_flight.CHANGES` as numbers, `keep_margin=1`, and another motor's thrust curve as the text
    of its CSV in `thrust`. Without a change it answers with the flight as the sheet has it.
    """
    change = _change(request.query_params)
    return await site.work.run(lambda: _told(lambda: _next(site, name, change)))


@router.get("/configuration", response_class=Response, responses=ANSWERS)
async def configuration(name: str, site: Site) -> Response:
    """Return centers of gravity and pressure, margin and swing by the sheet."""
    return await site.work.run(lambda: _told(lambda: configured(*_case(site, name)[:2])))


def _next(site: PageContext, name: str, change: FlightChange) -> Mapping[str, object]:
    vehicle, ground, figures, wind = _case(site, name)
    return next_flight(vehicle, ground, figures, change, wind)


def _case(site: PageContext, name: str) -> tuple[Sheet, Sheet, Mapping[str, Sheet], PadWind | None]:
    """Return the sheets of a session, the figures judged of it and the wind measured at its pad.

    Of the live one (`LIVE`) no figures, and the wind as it is ticked now.
    """
    if name == LIVE and site.station is not None:
        return *site.station.header.sheets, {}, None if site.pad is None else site.pad.wind
    review = opened(site, name)
    return *review.session.header.sheets, final_figures(review), measured_wind(review)


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
