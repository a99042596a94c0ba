"""The code of a place: what a phone reads from it is the geo URI of the numbers asked for."""

from __future__ import annotations

import urllib.error
import urllib.request
from pathlib import Path

import pytest

from server.http.place_routes import geo_uri
from server.http.sharing import picture
from tests.browser.station import ROOT, Process


@pytest.mark.parametrize(
    ("place", "uri"),
    [
        ((40.00021434, -99.99953069), "geo:40.0002143,-99.9995307"),
        ((-0.00000001, 0.00000001), "geo:0.0000000,0.0000000"),  # no minus before nothing
        ((90.0, 123.0), "geo:90.0000000,0.0000000"),  # RFC 5870, 3.4.2: at a pole the longitude is 0
    ],
)
def test_a_place_is_a_geo_uri(place: tuple[float, float], uri: str) -> None:
    assert geo_uri(*place) == uri


def test_who_may_look_may_ask_and_nonsense_is_a_sentence(tmp_path: Path) -> None:
    station = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        address = station.line(r"(http://\S+?/)")[1] + "api/place.svg"
        with urllib.request.urlopen(f"{address}?latitude=40.0002143&longitude=-99.9995307", timeout=10) as answer:
            assert answer.headers["content-type"] == "image/svg+xml"
            assert answer.read() == picture("geo:40.0002143,-99.9995307")
        for wrong in ("latitude=91&longitude=0", "latitude=nan&longitude=0", "latitude=1", "latitude=x&longitude=inf"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(f"{address}?{wrong}", timeout=10)
            assert refused.value.code == 422 and b'"sentence"' in refused.value.read()
    finally:
        station.stop()
