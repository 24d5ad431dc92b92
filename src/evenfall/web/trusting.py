"""How a tablet comes to trust these pages, where they make their certificate themselves."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import Response

from evenfall.errors import RequestError
from evenfall.web.part import Part
from evenfall.web.place import Place
from evenfall.web.view import kept, page

router = Part(prefix="/trust")
_NONE = "These pages have no certificate of their own to trust; go on as usual."


@router.get("")
def trust(request: Request) -> Response:
    """Show how to trust the certificate, and how to tell that it is the right one."""
    place: Place = request.app.state.place
    if not place.authority:
        raise RequestError(_NONE)
    return page(request, "trust.html", fingerprint=place.fingerprint)


@router.get("/evenfall.crt")
def authority(request: Request) -> Response:
    """Return the certificate that a tablet takes up among those it trusts."""
    place: Place = request.app.state.place
    if not place.authority:
        raise RequestError(_NONE)
    return kept(place.authority, "evenfall.crt", "application/x-x509-ca-cert")
