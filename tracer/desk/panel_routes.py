"""Requests about a job's panel: as it is, made, laid out by choice, a tool of it exchanged."""

from __future__ import annotations

from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tracer.desk.bodies import read_json
from tracer.desk.drawings import drawing_body, keep_drawing
from tracer.desk.foams import contrasts, foam_choices, keep_foams
from tracer.desk.inspecting import inspect_on_page, inspection_picture, inspection_record
from tracer.desk.jobs import Desk, DeskJob
from tracer.desk.layouts import layouts_record, propose, wish_of
from tracer.desk.panel_view import panel_record
from tracer.desk.swapping import keep_swap, swap_record, try_on_page

__all__ = ["panel_routes"]


def panel_routes(desk: Desk) -> list[Route]:
    """Routes of the panel view."""

    def job_of(request: Request) -> DeskJob:
        return desk.job(request.path_params["job"])

    async def panel(request: Request) -> Response:
        return JSONResponse(await run_sync(panel_record, job_of(request)))

    async def arrange(request: Request) -> Response:
        job_of(request).arrange()
        return JSONResponse({}, status_code=202)

    async def foams(_: Request) -> Response:
        return JSONResponse(await run_sync(foam_choices))

    async def set_foams(request: Request) -> Response:
        return JSONResponse(await run_sync(keep_foams, await read_json(request)))

    async def contrast(request: Request) -> Response:
        return JSONResponse(contrasts(await read_json(request)))

    async def drawing(request: Request) -> Response:
        found, name = job_of(request), request.query_params.get("name", "")
        data = await drawing_body(request)
        return JSONResponse(await run_sync(keep_drawing, found, name, data))

    async def ask_layouts(request: Request) -> Response:
        found, wish = job_of(request), wish_of(await read_json(request))
        propose(found, wish)
        return JSONResponse({}, status_code=202)

    async def layouts(request: Request) -> Response:
        return JSONResponse(await run_sync(layouts_record, job_of(request)))

    async def try_swap(request: Request) -> Response:
        found, body = job_of(request), await read_json(request)
        try_on_page(found, desk.drafts, body)
        return JSONResponse({}, status_code=202)

    async def swap(request: Request) -> Response:
        return JSONResponse(await run_sync(swap_record, job_of(request)))

    async def make_swap(request: Request) -> Response:
        found, body = job_of(request), await read_json(request)
        draft = desk.drafts.get(str(body.get("draft", "")))  # none where a tool only goes

        def over() -> None:
            if draft is not None:
                desk.forget(draft)

        keep_swap(found, body, over)
        return JSONResponse({}, status_code=202)

    async def inspect(request: Request) -> Response:
        found, body = job_of(request), await read_json(request)
        await run_sync(inspect_on_page, found, desk, body)
        return JSONResponse({}, status_code=202)

    async def inspection(request: Request) -> Response:
        return JSONResponse(await run_sync(inspection_record, job_of(request)))

    async def picture(request: Request) -> Response:
        number = request.path_params["number"]
        data = await run_sync(inspection_picture, job_of(request), number)
        return Response(data, media_type="image/jpeg")

    at = "/api/jobs/{job}"
    return [
        Route(at + "/panel", panel, methods=["GET"]),
        Route(at + "/arrange", arrange, methods=["POST"]),
        Route(at + "/drawings", drawing, methods=["PUT"]),
        Route("/api/foams", foams, methods=["GET"]),
        Route("/api/foams", set_foams, methods=["POST"]),
        Route("/api/foams/contrast", contrast, methods=["POST"]),
        Route(at + "/layouts", layouts, methods=["GET"]),
        Route(at + "/layouts", ask_layouts, methods=["POST"]),
        Route(at + "/swap", swap, methods=["GET"]),
        Route(at + "/swap", make_swap, methods=["POST"]),
        Route(at + "/swap/trial", try_swap, methods=["POST"]),
        Route(at + "/inspection", inspection, methods=["GET"]),
        Route(at + "/inspection", inspect, methods=["POST"]),
        Route(at + "/inspection/{number:int}.jpg", picture, methods=["GET"]),
    ]
