"""A place as a picture that a phone reads: the QR code of its geo URI, so that the phone's own map takes over.

A pure function of two numbers, so that it holds at any moment of a replay; whoever may look may ask for it.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from server.http.openapi import given, refusals
from server.http.sharing import picture

DECIMALS = 7  # a centimeter on the ground
POLE_DEG = 90.0

router = APIRouter(prefix="/api")


def geo_uri(latitude_deg: float, longitude_deg: float) -> str:
    """Return a place on WGS 84 as a geo URI. Source: RFC 5870 section 3.3; at a pole the longitude is 0 (section 3.4.2)."""
    longitude = 0.0 if abs(latitude_deg) == POLE_DEG else longitude_deg
    return f"geo:{_decimal(latitude_deg)},{_decimal(longitude)}"


def _decimal(degrees: float) -> str:
    text = f"{degrees:.{DECIMALS}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


@router.get("/place.svg", response_class=Response, responses={**given("image/svg+xml"), **refusals(422)})
def place(latitude: Annotated[float, Query(ge=-90, le=90)], longitude: Annotated[float, Query(ge=-180, le=180)]) -> Response:
    """Return the QR code of a place, in degrees on WGS 84."""
    return Response(picture(geo_uri(latitude, longitude)), media_type="image/svg+xml")
