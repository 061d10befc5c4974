"""What the server answers: the page, and the few addresses that its script asks for."""

from __future__ import annotations

from importlib.resources import files
from pathlib import PurePath
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from grader.bench.desk import Desk
from grader.bench.receive import boundary_of, receive, too_much
from grader.bench.refused import SLIP, Refused, answer, busy

PAGE = "bench.html"
KIND_OF = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}
"""Files of the page are sent by their names; which there are is looked up once, before anybody asks."""


def application(desk: Desk, unit: str) -> Starlette:
    """Return the application, to be put behind the guard."""

    async def setup(_: Request) -> Response:
        choices = desk.choices
        return JSONResponse(
            {
                "targets": [{"name": c.name, "title": c.title} for c in choices.targets.values()],
                "chosen": dict(choices.chosen),
                "unit": unit,
                "max_mb": desk.limits.most_mb,
            }
        )

    async def trays(_: Request) -> Response:
        return JSONResponse({"trays": desk.listed()})

    async def tray(request: Request) -> Response:
        told = await run_in_threadpool(desk.tell, request.path_params["id"])
        if told is None:
            raise HTTPException(404)
        return JSONResponse(told)

    async def picture(request: Request) -> Response:
        path = await run_in_threadpool(desk.picture_of, request.path_params["id"])
        if path is None:
            raise HTTPException(404)
        return FileResponse(path, media_type="image/jpeg")

    async def post_tray(request: Request) -> Response:
        return JSONResponse({"id": await _taken(desk, request)}, 202)

    async def refuse(request: Request, problem: Exception) -> Response:
        assert isinstance(problem, Refused)
        desk.log.refused_request(request.scope, problem.why)
        return answer(request.url.path, problem)

    return Starlette(
        routes=[
            *(Route(address, _file(name), methods=["GET"]) for address, name in page_files().items()),
            Route("/api/setup", setup, methods=["GET"]),
            Route("/api/trays", trays, methods=["GET"]),
            Route("/api/trays", post_tray, methods=["POST"]),
            Route("/api/trays/{id}", tray, methods=["GET"]),
            Route("/api/trays/{id}/picture", picture, methods=["GET"]),
        ],
        exception_handlers={HTTPException: _no_such, Refused: refuse, Exception: _slip},
    )


def page_files() -> dict[str, str]:
    """Return address -> name of each file of the page."""
    folder = files("grader.bench") / "page"
    names = [one.name for one in folder.iterdir()] if folder.is_dir() else []
    sent = {f"/{name}": name for name in sorted(names) if PurePath(name).suffix in KIND_OF and name != PAGE}
    return {"/": PAGE, **sent}


def _file(name: str) -> Any:
    """Return what sends a file of the page."""

    async def send(_: Request) -> Response:
        data = (files("grader.bench") / "page" / name).read_bytes()
        return Response(data, media_type=KIND_OF[PurePath(name).suffix])

    return send


async def _taken(desk: Desk, request: Request) -> str:
    """Take an upload in; return the id of its tray.

    Raises
    ------
    Refused
        If it cannot be taken.
    """
    boundary = boundary_of(request.headers.get("content-type", ""))
    length = request.headers.get("content-length", "")
    if length.isdigit() and int(length) > desk.limits.most_body_bytes:
        raise too_much(desk.limits)
    wait_s = desk.grading.reserve()
    if wait_s is not None:
        raise busy(wait_s)
    try:
        with desk.folder.arriving() as upload:
            form = await receive(request.stream(), boundary, upload, desk.limits)
            fields = desk.fields_of(form)
            return (await run_in_threadpool(desk.take, upload, fields)).id
    finally:
        desk.grading.release()


async def _no_such(request: Request, problem: Exception) -> Response:
    status = problem.status_code if isinstance(problem, HTTPException) else 404
    return answer(
        request.url.path,
        Refused(status, "There is no such thing here.", "Go back to the page and load it again."),
    )


async def _slip(request: Request, _: Exception) -> Response:
    return answer(request.url.path, SLIP)  # The guard tells of it in the log.
