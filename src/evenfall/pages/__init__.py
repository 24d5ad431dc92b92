"""Results as pages: the bench sheet and the certificate, on paper and on screen."""

from evenfall.pages.certificate import Certificate, certificate, certificate_page, deciding_items
from evenfall.pages.page import Page
from evenfall.pages.sheet import sheet_page
from evenfall.pages.typesetting import svg_to_png

__all__ = [
    "Certificate",
    "Page",
    "certificate",
    "certificate_page",
    "deciding_items",
    "sheet_page",
    "svg_to_png",
]
