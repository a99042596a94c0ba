"""What the OpenAPI document says of answers and requests."""

from __future__ import annotations

import jsonschema_rs
import pytest

from server.http.openapi import EVERYWHERE, NOTES_BODY, given, refusals
from server.shelf.session_notes import LABEL_AT_MOST, NOTES_AT_MOST, NotesProblem, checked


def test_every_refusal_is_a_sentence() -> None:
    for code, told in refusals(*EVERYWHERE, 401, 404, 409, 503).items():
        schema = told["content"]["application/json"]["schema"]
        assert jsonschema_rs.is_valid(schema, {"sentence": "No."})
        for wrong in ({}, {"sentence": ""}, {"sentence": "No.", "trace": "x"}):
            assert not jsonschema_rs.is_valid(schema, wrong)
        assert told["description"].endswith("."), code


def test_bodies() -> None:
    assert given("image/svg+xml")[200]["content"]["image/svg+xml"]["schema"]["format"] == "binary"
    assert given("application/json")[200]["content"]["application/json"]["schema"] == {}


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"label": "x" * LABEL_AT_MOST, "notes": "y" * NOTES_AT_MOST},
        {"label": "x" * (LABEL_AT_MOST + 1)},
        {"notes": "y" * (NOTES_AT_MOST + 1)},
        {"notes": 3},
        {"videos": [{"name": "a.mp4", "lift_off_s": 1.5}]},
        {"videos": [{"name": "", "lift_off_s": 1.5}]},
        {"videos": [{"name": "a.mp4", "lift_off_s": 1e8}]},
        {"videos": [{"name": "a.mp4"}]},
        {"videos": [{"name": "a.mp4", "lift_off_s": 0}] * 9},
        {"other": 1},
    ],
)
def test_the_document_and_the_check_agree(body: dict[str, object]) -> None:
    """Oracle: jsonschema-rs on what the document says, against the check that stands between a request and the disk."""
    schema = NOTES_BODY["requestBody"]["content"]["application/json"]["schema"]
    try:
        checked(body)
        taken = True
    except NotesProblem:
        taken = False
    assert jsonschema_rs.is_valid(schema, body) is taken
