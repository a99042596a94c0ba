"""The HTTP application: its routers, and what becomes of a refusal. What is decided is decided below.

Two sockets, so that a viewer can never reach a command: `/ws/view` only sends, `/ws/desk` belongs to a signed-in operator.
"""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from server.http import (
    download_routes,
    onboard_routes,
    operator_socket,
    page_files,
    place_routes,
    plan_routes,
    session_routes,
    shelf_routes,
    viewer_socket,
)
from server.http.context import PageContext
from server.http.openapi import EVERYWHERE, refusals
from server.http.request_limit import Busy
from server.problems import Problem
from server.shelf.onboard_mapping import LogProblem
from server.shelf.shelf import UnknownSession

ROUTERS = (
    page_files.router,
    session_routes.router,
    shelf_routes.router,
    onboard_routes.router,
    download_routes.router,
    place_routes.router,
    plan_routes.router,
    viewer_socket.router,
    operator_socket.router,
)
# What a problem's sentence is sent with; any other problem is one of the session asked for.
STATUS: dict[type[Problem], int] = {UnknownSession: 404, LogProblem: 422, Busy: 503}
OF_THE_SESSION = 409
RETRY_AFTER_S = 2  # sent with 503


def make_app(site: PageContext) -> FastAPI:
    """Return the application for `site`."""
    app = FastAPI(
        title="Blockhouse",
        version=site.version,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        responses=refusals(*EVERYWHERE),
    )
    app.state.site = site
    for router in ROUTERS:
        app.include_router(router)
    app.mount(page_files.WEB, page_files.PageFiles(directory=site.page), name="web")
    app.mount("/vendor", page_files.PageFiles(directory=site.charts), name="vendor")
    app.exception_handler(HTTPException)(_on_refusal)
    app.exception_handler(RequestValidationError)(_on_invalid)
    app.exception_handler(Problem)(_on_problem)
    return app


async def _on_refusal(request: Request, error: HTTPException) -> JSONResponse:
    return JSONResponse({"sentence": error.detail}, status_code=error.status_code, headers=error.headers)


async def _on_invalid(request: Request, error: RequestValidationError) -> JSONResponse:
    return JSONResponse({"sentence": "The request is not understood."}, status_code=422)


async def _on_problem(request: Request, error: Problem) -> JSONResponse:
    status = STATUS.get(type(error), OF_THE_SESSION)
    headers = {"retry-after": str(RETRY_AFTER_S)} if status == 503 else None
    return JSONResponse({"sentence": str(error)}, status_code=status, headers=headers)
