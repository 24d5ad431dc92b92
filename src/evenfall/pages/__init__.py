"""Results as pages: the bench sheet and the certificate, on paper and on screen."""

from evenfall.pages.sheet import sheet_html, sheet_pdf
from evenfall.pages.typesetting import svg_to_png

__all__ = ["sheet_html", "sheet_pdf", "svg_to_png"]
