"""What the page server's answers and requests look like, for its own OpenAPI document. Every refusal is one sentence."""

from __future__ import annotations

from typing import Any

from server.design.flight_basis import CHANGES
from server.shelf.session_notes import LABEL_AT_MOST, NOTES_AT_MOST, VIDEOS_AT_MOST

_SENTENCE = {
    "type": "object",
    "properties": {"sentence": {"type": "string", "minLength": 1}},
    "required": ["sentence"],
    "additionalProperties": False,
}
_REFUSALS = {
    400: "The request is not understood.",
    401: "A change needs the token of the link printed in the terminal.",
    403: "The token is not right, or the request comes from another page, or by an address that only shows.",
    404: "There is nothing of that name.",
    405: "This path does not answer to that method.",
    409: "It cannot be done with this session.",
    413: "The request is too large.",
    421: "This server does not answer under that name.",
    422: "The file or the values cannot be taken, with the reason.",
    429: "Too many requests from one place.",
    503: "Too much is being worked out for others.",
}
EVERYWHERE = (400, 403, 405, 413, 421, 422, 429)

NOTES_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {
                    "type": "object",
                    "properties": {
                        "label": {"type": "string", "maxLength": LABEL_AT_MOST},
                        "notes": {"type": "string", "maxLength": NOTES_AT_MOST},
                        "videos": {
                            "type": "array",
                            "maxItems": VIDEOS_AT_MOST,
                            "items": {
                                "type": "object",
                                "properties": {
                                    "name": {"type": "string", "minLength": 1, "maxLength": 255},
                                    "lift_off_s": {"type": "number", "minimum": -1e7, "maximum": 1e7},
                                },
                                "required": ["name", "lift_off_s"],
                            },
                        },
                    },
                    "additionalProperties": False,
                }
            }
        },
    }
}
LOG_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    },
    "parameters": [
        {"name": "file", "in": "query", "required": False, "schema": {"type": "string", "maxLength": 255}},
        {"name": "size", "in": "query", "required": False, "schema": {"type": "integer", "minimum": 0}},
        {"name": "map", "in": "query", "required": False, "schema": {"type": "string", "maxLength": 12_000}},
        {"name": "look", "in": "query", "required": False, "schema": {"type": "string", "enum": ["1"]}},
    ],
}
PLAN_QUERY: dict[str, Any] = {
    "parameters": [
        *(
            {"name": name, "in": "query", "required": False, "schema": {"type": "number", "minimum": low, "maximum": high}}
            for name, (low, high) in CHANGES.items()
        ),
        {"name": "keep_margin", "in": "query", "required": False, "schema": {"type": "string", "enum": ["1"]}},
        {"name": "thrust", "in": "query", "required": False, "schema": {"type": "string", "maxLength": 12_000}},
    ]
}
COMPARE_QUERY: dict[str, Any] = {
    "parameters": [
        {
            "name": "sessions",
            "in": "query",
            "required": True,
            "schema": {"type": "array", "items": {"type": "string"}, "minItems": 1, "maxItems": 6},
        },
        {
            "name": "at",
            "in": "query",
            "required": False,
            "schema": {"type": "array", "items": {"type": "string"}, "maxItems": 6},
        },
        {"name": "form", "in": "query", "required": False, "schema": {"type": "string", "enum": ["columns"]}},
    ]
}


def refusals(*codes: int) -> dict[int | str, dict[str, Any]]:
    """Return FastAPI's `responses` for refusals: JSON with a sentence from a route, plain text from the door."""
    content = {"application/json": {"schema": _SENTENCE}, "text/plain": {"schema": {"type": "string"}}}
    return {code: {"description": _REFUSALS[code], "content": content} for code in codes}


def given(media: str) -> dict[int | str, dict[str, Any]]:
    """Return FastAPI's `responses` for a body of one media type."""
    schema = {} if media == "application/json" else {"type": "string", "format": "binary"}
    return {200: {"description": "What was asked for.", "content": {media: {"schema": schema}}}}
