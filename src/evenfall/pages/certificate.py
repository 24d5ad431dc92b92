"""The certificate as a page."""

from __future__ import annotations

import re
from dataclasses import asdict
from datetime import date as calendar_date
from typing import TYPE_CHECKING

from evenfall.pages.drawings import figures, for_paper, job_text, square_code
from evenfall.pages.markup import Markup, css_paper, element, joined, page, wide
from evenfall.pages.typesetting import breakable, paper_for, pdf

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from evenfall.pages.certificate_content import Certificate, Judged, Listing
    from evenfall.pages.typesetting import Paper


def certificate_pdf(
    certificate: Certificate,
    pictures: Mapping[str, str] | None = None,
    *,
    paper: Paper | None = None,
) -> bytes:
    """Return the certificate as PDF; with a date as 2026-03-31 it is PDF/A-2a, for archives.

    Parameters
    ----------
    certificate
        What it says.
    pictures
        SVG drawings by the name that stands over them.
    paper
        "a4" or "us-letter"; by default what goes with the certificate's unit.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    day = _day(certificate.date)
    data = {
        "certificate": asdict(certificate),
        "titles": {
            "serial": breakable(certificate.serial),
            "model": breakable(certificate.model),
            "place": breakable(certificate.place),
            "issuer": breakable(certificate.issuer),
        },
        "paper": paper or paper_for(certificate.unit),
        "day": day,
        "code_text": job_text(certificate.plan_code),
        "code_picture": square_code(job_text(certificate.plan_code)),
        "pictures": for_paper(pictures or {}),
    }
    return pdf("certificate.typ", data, standard="a-2a" if day else "ua-1")


def certificate_html(
    certificate: Certificate,
    pictures: Mapping[str, str] | None = None,
    *,
    paper: Paper | None = None,
) -> str:
    """Return the certificate as one HTML file that needs nothing else.

    Parameters
    ----------
    certificate
        What it says.
    pictures
        SVG drawings by the name that stands over them.
    paper
        "a4" or "us-letter", for printing; by default what goes with the certificate's unit.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    open_items = certificate.open_items
    body = joined(
        [
            _head(certificate),
            _verdict(certificate),
            _kinds(certificate),
            _listed("What to do now", certificate.next_steps, "ol"),
            _listed("Remarks", certificate.remarks, "ul"),
            *(element("p", sentence) for sentence in certificate.rule),
            _signature(certificate),
            *figures(pictures or {}),
            *(
                _items("Not conforming or undecided", open_items, certificate)
                if 0 < len(open_items) < len(certificate.items)
                else ()
            ),
            *_items("Everything judged", certificate.items, certificate),
            element("h2", "Uncertainty budgets"),
            element("p", certificate.budgets_note),
            *(_budget(listing, certificate) for listing in certificate.budgets),
            _hashes(certificate),
        ],
        between="\n",
    )
    chosen = paper or paper_for(certificate.unit)
    return page(f"Setup certificate {certificate.serial}", body, paper=css_paper(chosen))


def _day(text: str) -> list[int] | None:
    """Return year, month and day of a date as ISO 8601 writes it, or None."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return None
    try:
        day = calendar_date.fromisoformat(text)
    except ValueError:
        return None
    return [day.year, day.month, day.day]


def _head(certificate: Certificate) -> Markup:
    mark = element("span", "invented example", class_="mark") if certificate.invented else None
    code = job_text(certificate.plan_code)
    return element(
        "header",
        element(
            "div",
            element("h1", element("small", "Setup certificate"), " ", certificate.serial),
            element("p", f"{certificate.model} ", mark),
            element(
                "dl",
                *(
                    element("div", element("dt", label), element("dd", value))
                    for label, value in certificate.facts
                ),
                class_="facts",
            ),
        ),
        element("div", Markup(square_code(code, label=code)), certificate.plan_code, class_="code"),
    )


def _verdict(certificate: Certificate) -> Markup:
    said = certificate.verdict[0].upper() + certificate.verdict[1:]
    tone = {"does not conform": " alarm", "undecided": " open"}.get(certificate.verdict, "")
    return element(
        "div",
        element("div", said, class_="verdict"),
        element("p", certificate.headline),
        class_=f"banner{tone}",
        role="note",
    )


def _kinds(certificate: Certificate) -> Markup:
    heads = (
        "What",
        "Verdicts",
        "Nearest to its limit",
        f"Value ± U, {certificate.unit}",
        f"Limits, {certificate.unit}",
        "Probability",
    )
    rows = [
        element(
            "tr",
            element("th", element("strong", kind.name), scope="row"),
            element(
                "td",
                kind.count if kind.verdict == "conforms" else element("strong", kind.count),
                class_="words",
            ),
            element("td", kind.nearest.name, class_="words"),
            *_figures(kind.nearest),
        )
        for kind in certificate.kinds
    ]
    return _table(heads, rows, _small(certificate))


def _figures(one: Judged) -> tuple[Markup, ...]:
    results = [f"{one.result.figure} ± {one.expanded.figure}", one.limits]
    small = [f"{one.result.other} ± {one.expanded.other}", one.limits_other]
    cells = [
        element(
            "td",
            element("span", large, class_="figure"),
            element("span", other, class_="other") if one.result.other else None,
            class_="right",
        )
        for large, other in zip(results, small, strict=True)
    ]
    return (*cells, element("td", one.probability, class_="right"))


def _items(
    heading: str, items: Iterable[Judged], certificate: Certificate
) -> tuple[Markup, Markup]:
    heads = (
        "Judged",
        f"Value ± U, {certificate.unit}",
        f"Limits, {certificate.unit}",
        "Probability",
        "Verdict",
    )
    rows = [
        element(
            "tr",
            element("th", one.name, element("span", one.route, class_="route"), scope="row"),
            *_figures(one),
            element(
                "td",
                one.verdict if one.verdict == "conforms" else element("strong", one.verdict),
                class_="words",
            ),
        )
        for one in items
    ]
    return element("h2", heading), _table(heads, rows, _small(certificate))


def _budget(listing: Listing, certificate: Certificate) -> Markup:
    heads = (
        "Input",
        "Value",
        "u",
        "Sensitivity",
        "Contribution",
        "Degrees of freedom",
        "Distribution",
    )
    rows = [
        element(
            "tr",
            element("th", one.name, scope="row"),
            *(
                element("td", told, class_="right")
                for told in (
                    one.value,
                    one.uncertainty,
                    one.sensitivity,
                    one.contribution,
                    one.degrees,
                )
            ),
            element("td", one.distribution, class_="words"),
        )
        for one in listing.inputs
    ]
    if listing.rest:
        rows.append(element("tr", element("td", listing.rest, colspan=len(heads), class_="words")))
    figure = f"{listing.item.result.figure} {certificate.unit}"
    return element(
        "section",
        element("h3", f"{listing.item.name}: {figure}"),
        _table(heads, rows, f"{listing.result}; {listing.item.route}."),
    )


def _small(certificate: Certificate) -> str:
    """Return what the small figures are, or what all figures are."""
    if certificate.beside:
        return f"Large figures: {certificate.unit}. Small figures: {certificate.beside}."
    return f"Lengths in {certificate.unit}."


def _table(heads: tuple[str, ...], rows: list[Markup], caption: str) -> Markup:
    table = element(
        "table",
        element("caption", caption),
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *rows),
    )
    return wide(table, label=f"{heads[0]}. {caption}")


def _listed(heading: str, sentences: tuple[str, ...], tag: str) -> Markup | None:
    if not sentences:
        return None
    told = element(tag, *(element("li", sentence) for sentence in sentences))
    return element("section", element("h2", heading), told)


def _signature(certificate: Certificate) -> Markup:
    told = (
        ("Date", certificate.date),
        ("Place", certificate.place),
        ("Issued by", certificate.issuer),
        ("Signature", ""),
    )
    return element(
        "p", *(element("span", f"{label} {given}".strip()) for label, given in told), class_="sign"
    )


def _hashes(certificate: Certificate) -> Markup:
    rows = [
        element("tr", element("th", what, scope="row"), element("td", told, class_="words hash"))
        for what, told in certificate.hashes
    ]
    return element(
        "section",
        element("h2", "What this rests on"),
        _table(("File", "SHA-256 of its content"), rows, f"Proof {certificate.code}."),
    )
