"""Results as pages: the bench sheet and the certificate, on paper and on screen.

Examples
--------
>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> outcome = ef.plan(ef.PlanRequest(readings, ef.Source.invented("tesquil.spec.toml")))
>>> after = ef.Source.invented("tesquil-after.csv"), ef.Source.invented("tesquil.spec.toml")
>>> result = ef.measure(ef.MeasureRequest(after[:1], after[1])).measurement
>>> from evenfall.proof import prove
>>> made = prove(outcome.specification, outcome.plan, result)
>>> len(deciding_items(made)) <= len(made.items)
True
>>> told = certificate(made, unit="mm", date="2026-03-31")
>>> type(told).__name__, type(certificate_page(told)).__name__
('Certificate', 'Page')
>>> from evenfall.work import bench_sheet
>>> page = sheet_page(bench_sheet(outcome.specification, outcome.plan), unit="mm")
>>> page.html({}).lower().startswith("<!doctype html>")
True
>>> svg_to_png(outcome.pictures()["removal"], 400)[1:4]
b'PNG'
"""

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
