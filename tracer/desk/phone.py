"""Inviting a phone on the same network: a one-time code, as digits and as a QR picture."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import segno

from tracer.desk.gate import Keys
from tracer.errors import TracerError

__all__ = ["phone_invitation"]


def phone_invitation(keys: Keys, lan_host: str | None) -> dict[str, Any]:
    """A new code (the one before stops working), its address and its QR picture as SVG.

    Raises
    ------
    TracerError
        ``desk-not-on-network`` unless the desk was started for it.
    """
    if lan_host is None:
        raise TracerError(
            "desk-not-on-network",
            "The desk was started for this computer only.",
            "Start it with tracer desk --lan to take photos with a phone on the same network.",
        )
    code = keys.new_code()
    address = f"http://{lan_host}:{keys.port}/"
    out = BytesIO()
    segno.make(f"{address}?key={code}", error="m").save(out, kind="svg", xmldecl=False, border=4)
    return {"address": address, "code": code, "qr": out.getvalue().decode()}
