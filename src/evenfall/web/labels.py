"""The label of an instrument: number, model and a square code that opens its page."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import Response

from evenfall.pages.drawings import square_code
from evenfall.web.instruments import common
from evenfall.web.part import Part
from evenfall.web.view import View, page, shop_of

router = Part(prefix="/instruments/{name}/label")


@router.get("")
def label(request: Request, name: str) -> Response:
    """Show the label as it is printed, 60 by 30 mm."""
    shop = shop_of(request)
    told = shop.story(name)
    view = View(request)
    opens = f"{request.base_url}instruments/{told.line.dossier}"
    code = square_code(opens, label="Square code that opens the page of this instrument")
    return page(request, "label.html", view, **common(shop, told, view), code=code, opens=opens)
