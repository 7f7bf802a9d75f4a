"""The phone's page: send photos to one draft and see them arrive. The gate checked the link."""

from __future__ import annotations

from typing import Any

from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tracer.desk.advice import advice_on, next_side
from tracer.desk.drafts import Draft
from tracer.desk.incoming import Incoming
from tracer.desk.jobs import Desk
from tracer.desk.links import Links, PhoneLink, qr_picture
from tracer.desk.pages import filled_page
from tracer.errors import TracerError
from tracer.photos import decode_photo

__all__ = ["invitation", "phone_routes"]


def invitation(
    links: Links, draft: Draft, title: str, lan_host: str | None, port: int
) -> dict[str, Any]:
    """A new link to a draft: its address, code and QR picture. Each opens it once.

    Raises
    ------
    TracerError
        ``desk-not-on-network`` unless the desk was started for it, ``desk-too-many-phones``.
    """
    if lan_host is None:
        raise TracerError(
            "desk-not-on-network",
            "The desk was started for this computer only.",
            "Start it for the network to take photos with a phone that is on it, too.",
        )
    draft.title = title or draft.title
    link = links.new(draft.draft_id, draft.title)
    address = f"http://{lan_host}:{port}/phone"
    return {
        "link": link.link_id,
        "address": address,
        "code": link.code,
        "qr": qr_picture(f"{address}?key={link.key}"),
        "ends_in_s": round(links.left_s(link)),
    }


def phone_routes(desk: Desk, incoming: Incoming) -> list[Route]:
    """Routes of the phone's page."""

    def link_of(request: Request) -> PhoneLink:
        link: PhoneLink = request.scope["phone_link"]
        return link

    async def phone_page(request: Request) -> Response:
        link = link_of(request)
        kind = "panel" if desk.drafts[link.draft_id].of_panel else "lay"
        return filled_page("phone.html", {"token": link.token, "title": link.title, "kind": kind})

    async def state(request: Request) -> Response:
        link = link_of(request)
        draft = desk.drafts[link.draft_id]
        mine = [p for p in draft.records() if p["link"] == link.link_id]
        return JSONResponse(
            {
                "photos": [{"name": p["name"], "bytes": p["bytes"]} for p in mine],
                "ends_in_s": round(desk.links.left_s(link)),
                "traced_now": draft.traced_now(),
            }
        )

    async def send(request: Request) -> Response:
        link = link_of(request)

        def still_open() -> None:
            if desk.links.left_s(link) <= 0:
                raise TracerError("phone-link-ended", "The link ended before the photo was here.")

        draft = desk.drafts[link.draft_id]
        photo = await incoming.take(request, draft, None, link.link_id, still_open)
        return JSONResponse({"name": photo.name, "bytes": photo.size, "digest": photo.digest})

    async def advice(request: Request) -> Response:
        """What the phone's own photo lacks; other photos of the lay are not told of."""
        link = link_of(request)
        draft = desk.drafts[link.draft_id]
        digest = request.path_params["digest"]
        mine = {p.digest: (n, p) for n, p in draft.photos.items() if p.link_id == link.link_id}
        number, photo = mine[digest]
        if digest not in link.advice:
            async with incoming.decoding:
                data = draft.file(number).read_bytes()
                link.advice[digest] = await run_sync(
                    lambda: advice_on(decode_photo(data, photo.name))
                )
        sides = [told["side"] for d, told in link.advice.items() if d in mine and told["cards"]]
        return JSONResponse({**link.advice[digest], "next": next_side(sides)})

    return [
        Route("/phone", phone_page, methods=["GET"]),
        Route("/phone/state", state, methods=["GET"]),
        Route("/phone/photos", send, methods=["POST"]),
        Route("/phone/photos/{digest}/advice", advice, methods=["GET"]),
    ]
