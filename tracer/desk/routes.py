"""Requests to calls: each route reads its input, calls one function, and gives JSON back."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import numpy as np
from anyio.to_thread import run_sync
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from tracer.calibration import CardSizes
from tracer.desk.bodies import TooLarge, edit_of, read_json, unclear
from tracer.desk.cutting import cut_options, cuts_again, cutting_choices, keep_printed
from tracer.desk.drafts import Draft
from tracer.desk.files import file_bytes, file_records, folder_zip, plain_name
from tracer.desk.first_steps import cards_to_print, demo_job, job_list, thumbnail
from tracer.desk.gate import LOOPBACK, Keys
from tracer.desk.incoming import Incoming
from tracer.desk.jobs import Desk, DeskJob
from tracer.desk.pages import page, static_file
from tracer.desk.panel_routes import panel_routes
from tracer.desk.phone_routes import invitation, phone_routes
from tracer.desk.previews import dxf_preview, pdf_page
from tracer.desk.seen_tools import photo_picture
from tracer.desk.view import job_record, photo_record, runs_beside_outline
from tracer.errors import TracerError
from tracer.model.lay_settings import LaySettings
from tracer.photos import MAX_FILE_BYTES
from tracer.ranges import OPTIONS, Range
from tracer.segmentation.edge.snap import snap_line
from tracer.workflows.arranging.arrange import PANEL_JSON
from tracer.workflows.editing.input_values import number, optional, pair_mm, points
from tracer.workflows.job.trace_job import Mode

__all__ = ["build_routes"]

Handler = Callable[[Request], Awaitable[Response]]
STATUS = {
    "edit-stale": 409,
    "edit-conflict": 409,
    "job-exists": 409,
    "job-locked": 423,
    "file-old": 409,
    "job-gone": 410,
    "photo-too-large": 413,
    "desk-photos-in-use": 423,
    "phone-link-ended": 410,
}
_STEPS = Range(0, 1_000_000_000, whole=True)
_REACH = Range(2, 200, "px")  # how far from what was drawn an edge is looked for
_PIXELS = Range(-100_000, 100_000, "px")
CROP_PX = 640  # the longer side of a place shown by itself
#: what a page that is loaded anew during a first run is shown again
TYPED = ("name", "card_size_mm", "default_height_mm", "keep_cables", "add")
FOREVER = "private, max-age=31536000, immutable"


def build_routes(desk: Desk, keys: Keys, open_job: str | None, lan_host: str | None) -> Starlette:
    """The application behind the gate."""
    incoming = Incoming(desk)

    def job_of(request: Request) -> DeskJob:
        return desk.job(request.path_params["job"])

    def draft_of(request: Request) -> Draft:
        return desk.drafts[request.path_params["draft"]]

    async def index(_: Request) -> Response:
        return page(keys, open_job)

    async def events(request: Request) -> Response:
        if request.method == "HEAD":  # its answer has no body to wait for, and this one no end
            return Response(media_type="text/event-stream")
        last = request.headers.get("last-event-id", "")
        stream = desk.hub.stream(int(last) if last.isdecimal() else None)
        return StreamingResponse(stream, media_type="text/event-stream")

    async def jobs(_: Request) -> Response:
        return JSONResponse({"jobs": await run_sync(job_list, desk)})

    async def face(request: Request) -> Response:
        return Response(await run_sync(thumbnail, job_of(request)), media_type="image/jpeg")

    async def demo(_: Request) -> Response:
        found = await run_sync(demo_job, desk)
        return JSONResponse({"job": found.job_id}, status_code=202)

    async def cards(request: Request) -> Response:
        paper = "letter" if request.query_params.get("paper") == "letter" else "a4"
        data = await run_sync(cards_to_print, paper)
        headers = {"content-disposition": f'attachment; filename="scale-cards-{paper}.pdf"'}
        return Response(data, media_type="application/pdf", headers=headers)

    async def job(request: Request) -> Response:
        found = job_of(request)
        found.refuse_gone()
        if not found.folder.exists():  # its first run is not over
            body = {"job": found.job_id, "name": found.folder.name, "run": found.state.record()}
            first = found.first if found.first and found.first["draft"] in desk.drafts else None
            return JSONResponse(body | {"first": first})
        found.opened = True
        return JSONResponse(await run_sync(job_record, found))

    async def new_draft(_: Request) -> Response:
        return JSONResponse({"draft": desk.new_draft().draft_id})

    async def show_draft(request: Request) -> Response:
        return JSONResponse({"photos": draft_of(request).records()})

    async def put_photo(request: Request) -> Response:
        draft = draft_of(request)
        photo = await incoming.take(request, draft, int(request.path_params["number"]))
        return JSONResponse({"size": photo.size})

    async def see_photo(request: Request) -> Response:
        draft, number = draft_of(request), int(request.path_params["number"])
        name = draft.photos[number].name
        data = await run_sync(lambda: photo_picture(draft.file(number).read_bytes(), name))
        return Response(data, media_type="image/jpeg", headers={"cache-control": FOREVER})

    async def drop_photo(request: Request) -> Response:
        draft = draft_of(request)
        draft.make_room(0, 0)  # refused while they are traced
        draft.remove(int(request.path_params["number"]))
        incoming.tell(draft)
        return JSONResponse({})

    async def trace_draft(request: Request) -> Response:
        draft, body = draft_of(request), await read_json(request)
        settings = _settings(body)
        mode = Mode(add=body.get("add") is True, replace=body.get("replace") is True)
        found = desk.named(str(body.get("name", ""))[:120])
        if found.folder.exists() and not (mode.add or mode.replace):
            raise TracerError(
                "job-exists",
                f"There is a job {found.folder.name} already.",
                "Choose another name, or add the photos to it as a further lay.",
            )
        typed = {k: body.get(k) for k in TYPED}
        found.trace_new(draft, settings, mode, lambda: desk.forget(draft), typed)
        return JSONResponse({"job": found.job_id}, status_code=202)

    async def run_again(request: Request) -> Response:
        job_of(request).bring_up_to_date(soon=True)
        return JSONResponse({}, status_code=202)

    async def stop_run(request: Request) -> Response:
        job_of(request).stop()
        return JSONResponse({})

    async def edit(request: Request) -> Response:
        found, change = job_of(request), edit_of(await read_json(request))
        return await _edited(found, lambda: found.edit(change, _expected(request)))

    async def undo(request: Request) -> Response:
        found = job_of(request)
        return await _edited(found, lambda: found.undo(_expected(request)))

    async def redo(request: Request) -> Response:
        found = job_of(request)
        return await _edited(found, lambda: found.redo(_expected(request)))

    async def steps(request: Request) -> Response:
        found, body = job_of(request), await read_json(request)
        done = number(_STEPS)(body.get("done"))
        return await _edited(found, lambda: found.step_to(int(done), _expected(request)))

    async def photo(request: Request) -> Response:
        return JSONResponse(
            await run_sync(photo_record, job_of(request), request.path_params["photo"])
        )

    async def tile(request: Request) -> Response:
        p = request.path_params
        pyramid = await run_sync(job_of(request).pyramid, p["photo"])
        data = await run_sync(pyramid.tile, p["level"], p["x"], p["y"])
        return Response(data, media_type="image/jpeg", headers={"cache-control": FOREVER})

    async def crop(request: Request) -> Response:
        box = request.query_params.get("box", "").split(",")
        left, top, right, bottom = (int(number(_PIXELS)(float(v))) for v in box)
        pyramid = await run_sync(job_of(request).pyramid, request.path_params["photo"])
        data = await run_sync(pyramid.crop, (left, top, right, bottom), CROP_PX)
        return Response(data, media_type="image/jpeg", headers={"cache-control": FOREVER})

    async def snap(request: Request) -> Response:
        body, photo_id = await read_json(request), request.path_params["photo"]
        line = points(2, 4000)(body.get("line"))
        reach = float(number(_REACH)(body.get("reach_px")))
        clear = True
        if body.get("snap") is not False:
            pyramid = await run_sync(job_of(request).pyramid, photo_id)
            found = await run_sync(snap_line, pyramid.photo.pixels, line, reach)
            line, clear = found.line_px.round(2).tolist(), found.clear
        drawn = np.asarray(line, np.float64)
        beside = await run_sync(runs_beside_outline, job_of(request), photo_id, drawn)
        return JSONResponse({"line": line, "clear": clear, "beside": beside})

    async def files(request: Request) -> Response:
        found = job_of(request)
        return JSONResponse(
            {
                "files": await run_sync(file_records, found.folder),
                "panel": found.folder.has(PANEL_JSON),
                "checks": found.cut_checks,
            }
        )

    async def cutting(_: Request) -> Response:
        return JSONResponse(cutting_choices())

    async def printed(request: Request) -> Response:
        body = await read_json(request)
        await run_sync(keep_printed, body)
        return JSONResponse({})

    async def cut(request: Request) -> Response:
        found, body = job_of(request), await read_json(request)
        options = cut_options(body)
        found.cut(lambda: [options])
        return JSONResponse({}, status_code=202)

    async def cut_again(request: Request) -> Response:
        found = job_of(request)
        found.cut(lambda: cuts_again(found.folder))
        return JSONResponse({}, status_code=202)

    async def file(request: Request) -> Response:
        folder = job_of(request).folder
        looked_at = not {"show", "page", "picture", "old"}.isdisjoint(request.query_params)
        data, kind, name = await run_sync(
            lambda: file_bytes(folder, request.path_params["file"], old_too=looked_at)
        )
        page_number = request.query_params.get("page", "")
        if page_number.isdecimal() and kind == "application/pdf":
            picture = await run_sync(pdf_page, data, int(page_number))
            return Response(picture, media_type="image/png")
        if "picture" in request.query_params and name.lower().endswith(".dxf"):
            return Response(await run_sync(dxf_preview, data), media_type="image/svg+xml")
        shown = "inline" if "show" in request.query_params else "attachment"
        # a picture opened by itself must not run scripts, whatever is in it
        headers = {"content-disposition": f'{shown}; filename="{name}"'}
        return Response(data, media_type=kind, headers=headers)

    async def all_files(request: Request) -> Response:
        folder = job_of(request).folder
        old_too = "old" in request.query_params
        group = request.query_params.get("group", "")
        data = await run_sync(lambda: folder_zip(folder, old_too=old_too, group=group))
        name = plain_name(f"{folder.name}{' ' if group else ''}{group.rpartition('/')[2]}")
        headers = {"content-disposition": f'attachment; filename="{name}.zip"'}
        return Response(data, media_type="application/zip", headers=headers)

    async def new_key(_: Request) -> Response:
        address = f"http://{LOOPBACK}:{keys.port}/?key={keys.new_key()}"
        return JSONResponse({"address": address})

    async def links(_: Request) -> Response:
        return JSONResponse({"links": desk.links.records(), "possible": lan_host is not None})

    async def new_link(request: Request) -> Response:
        body = await read_json(request)
        draft = desk.drafts[str(body.get("draft", ""))]
        draft.of_panel = body.get("panel") is True
        title = str(body.get("title", ""))[:120]
        return JSONResponse(invitation(desk.links, draft, title, lan_host, keys.port))

    async def end_link(request: Request) -> Response:
        desk.links.revoke(request.path_params["link"])
        return JSONResponse({})

    at_job = "/api/jobs/{job}"
    at_photo = at_job + "/photos/{photo}"
    table: list[tuple[str, str, Handler]] = [
        ("GET", "/", index),
        ("GET", "/api/events", events),
        ("GET", "/api/jobs", jobs),
        ("POST", "/api/demo", demo),
        ("GET", "/api/cards", cards),
        ("POST", "/api/drafts", new_draft),
        ("GET", "/api/drafts/{draft}", show_draft),
        ("PUT", "/api/drafts/{draft}/photos/{number:int}", put_photo),
        ("GET", "/api/drafts/{draft}/photos/{number:int}", see_photo),
        ("DELETE", "/api/drafts/{draft}/photos/{number:int}", drop_photo),
        ("POST", "/api/drafts/{draft}/trace", trace_draft),
        ("GET", at_job, job),
        ("GET", at_job + "/face", face),
        ("POST", at_job + "/run", run_again),
        ("DELETE", at_job + "/run", stop_run),
        ("POST", at_job + "/edits", edit),
        ("POST", at_job + "/undo", undo),
        ("POST", at_job + "/redo", redo),
        ("POST", at_job + "/steps", steps),
        ("GET", at_photo, photo),
        ("GET", at_photo + "/tiles/{level:int}/{x:int}/{y:int}", tile),
        ("GET", at_photo + "/crop", crop),
        ("POST", at_photo + "/snap", snap),
        ("GET", "/api/cutting", cutting),
        ("POST", "/api/printed", printed),
        ("POST", at_job + "/cut", cut),
        ("POST", at_job + "/cut-again", cut_again),
        ("GET", at_job + "/files", files),
        ("GET", at_job + "/files/{file}", file),
        ("GET", at_job + "/all-files", all_files),
        ("POST", "/api/keys", new_key),
        ("GET", "/api/links", links),
        ("POST", "/api/links", new_link),
        ("DELETE", "/api/links/{link}", end_link),
    ]
    routes = [Route(path, handler, methods=[method]) for method, path, handler in table]
    routes += panel_routes(desk) + phone_routes(desk, incoming)
    routes.append(Route("/{name}", static_file, methods=["GET"]))
    return Starlette(
        routes=routes,
        exception_handlers={
            TracerError: _told,
            TooLarge: _too_large,
            KeyError: _unknown,
            IndexError: _unknown,
            ValueError: _unclear,
            OverflowError: _unclear,
            ClientDisconnect: _gone,
            OSError: _disk,
        },
    )


async def _edited(job: DeskJob, act: Callable[[], str]) -> Response:
    revision = await run_sync(act)
    return JSONResponse({"revision": revision, "state": await run_sync(job_record, job)})


def _expected(request: Request) -> str:
    tag = request.headers.get("if-match", "")
    if not tag:
        raise unclear()
    return tag.strip('"')


def _settings(body: dict[str, Any]) -> LaySettings:
    height = optional(number(OPTIONS["--height"]))(body.get("default_height_mm"))
    size = optional(pair_mm(OPTIONS["--card-size"]))(body.get("card_size_mm"))
    return LaySettings(
        card_sizes=CardSizes(size),
        camera_height_mm=optional(number(OPTIONS["--camera-height"]))(body.get("camera_height_mm")),
        default_height_mm=height,
        keep_cables=body.get("keep_cables") is True or None,
    )


def _error_body(error: TracerError) -> dict[str, Any]:
    return {
        "error": {"slug": error.slug, "sentence": error.sentence, "remedy": error.remedy},
    }


async def _told(_: Request, error: Exception) -> Response:
    assert isinstance(error, TracerError)
    return JSONResponse(_error_body(error), status_code=STATUS.get(error.slug, 422))


async def _too_large(_: Request, __: Exception) -> Response:
    told = TracerError(
        "photo-too-large",
        f"More than {MAX_FILE_BYTES / 1e6:.0f} MB were sent; that is not taken.",
        "Save the photo as a JPEG.",
    )
    return JSONResponse(_error_body(told), status_code=413, headers={"connection": "close"})


async def _unknown(_: Request, __: Exception) -> Response:
    told = TracerError("desk-no-such-thing", "The desk has nothing under this address.")
    return JSONResponse(_error_body(told), status_code=404)


async def _unclear(_: Request, __: Exception) -> Response:
    return JSONResponse(_error_body(unclear()), status_code=422)


async def _gone(_: Request, __: Exception) -> Response:
    return Response(status_code=400, headers={"connection": "close"})  # nobody reads it


async def _disk(_: Request, error: Exception) -> Response:
    assert isinstance(error, OSError)
    told = TracerError(
        "desk-disk-refuses",
        f"The disk did not take or give a file: {error.strerror or error}.",
        "Check free space and the rights to the folder.",
    )
    return JSONResponse(_error_body(told), status_code=507)
