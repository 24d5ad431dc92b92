"""Results as pages: the bench sheet and the certificate, on paper and on screen."""

from evenfall.pages.certificate import certificate_html, certificate_pdf
from evenfall.pages.certificate_content import Certificate, certificate, deciding_items
from evenfall.pages.sheet import sheet_html, sheet_pdf
from evenfall.pages.typesetting import svg_to_png

__all__ = [
    "Certificate",
    "certificate",
    "certificate_html",
    "certificate_pdf",
    "deciding_items",
    "sheet_html",
    "sheet_pdf",
    "svg_to_png",
]
