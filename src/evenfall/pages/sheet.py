"""The bench sheet as a page."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from evenfall.pages.drawings import figures, for_paper, job_text, square_code
from evenfall.pages.markup import Markup, css_paper, element, joined, page, wide
from evenfall.pages.typesetting import breakable, paper_for, pdf

if TYPE_CHECKING:
    from collections.abc import Mapping

    from evenfall.pages.typesetting import Paper
    from evenfall.work.sheet import BenchSheet, Cell, Column, Reading, Row, Step


def sheet_pdf(
    sheet: BenchSheet, pictures: Mapping[str, str] | None = None, *, paper: Paper | None = None
) -> bytes:
    """Return the bench sheet as PDF.

    Parameters
    ----------
    sheet
        What it says.
    pictures
        SVG drawings by name, on pages of their own after the sheet; the name stands over a drawing
        that carries no title.
    paper
        "a4" or "us-letter"; by default what goes with the sheet's unit.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    data = {
        "sheet": asdict(sheet),
        "titles": {
            "serial": breakable(sheet.serial),
            "model": breakable(sheet.model),
            "kind": breakable(sheet.kind),
        },
        "paper": paper or paper_for(sheet.unit),
        "code_text": job_text(sheet.code),
        "code_picture": square_code(job_text(sheet.code)),
        "pictures": for_paper(pictures or {}),
    }
    return pdf("bench_sheet.typ", data)


def sheet_html(
    sheet: BenchSheet, pictures: Mapping[str, str] | None = None, *, paper: Paper | None = None
) -> str:
    """Return the bench sheet as one HTML file that needs nothing else.

    Parameters
    ----------
    sheet
        What it says.
    pictures
        SVG drawings by the name that stands over them.
    paper
        "a4" or "us-letter", for printing; by default what goes with the sheet's unit.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    steps = [
        element("li", *_step(sheet, step, place)) for place, step in enumerate(sheet.steps, start=1)
    ]
    body = joined(
        [
            _head(sheet),
            _banner(sheet),
            _cautions(sheet),
            element("ol", *steps, class_="steps"),
            *_step(sheet, sheet.after, len(steps) + 1 if steps else 0),
            element(
                "p",
                *(element("span", label) for label in ("Done by", "Date", "Gauge")),
                class_="sign",
            ),
            *figures(pictures or {}),
        ],
        between="\n",
    )
    chosen = paper or paper_for(sheet.unit)
    return page(f"Bench sheet {sheet.serial}", body, paper=css_paper(chosen))


def _head(sheet: BenchSheet) -> Markup:
    facts = [
        element("div", element("dt", label), element("dd", value)) for label, value in sheet.facts
    ]
    mark = element("span", "invented example", class_="mark") if sheet.invented else None
    return element(
        "header",
        element(
            "div",
            element("h1", element("small", "Bench sheet"), " ", sheet.serial),
            element("p", f"{sheet.model}, {sheet.kind} ", mark),
            element("dl", *facts, class_="facts"),
        ),
        element(
            "div",
            Markup(square_code(job_text(sheet.code), label=job_text(sheet.code))),
            sheet.code,
            class_="code",
        ),
    )


def _banner(sheet: BenchSheet) -> Markup:
    alarm = sheet.banner.tone in ("eased", "stop")
    return element(
        "div",
        element("strong", ("! " if alarm else "") + sheet.banner.headline),
        *(element("p", sentence) for sentence in sheet.banner.sentences),
        class_="banner alarm" if alarm else "banner",
        role="note",
    )


def _cautions(sheet: BenchSheet) -> Markup | None:
    if not sheet.cautions:
        return None
    told = [
        element("li", element("strong", f"{one.topic}. "), one.sentence) for one in sheet.cautions
    ]
    return element(
        "section",
        element("h2", "Cautions"),
        element("ul", *told, class_="plain"),
        class_="cautions",
    )


def _step(sheet: BenchSheet, step: Step, place: int) -> list[Markup]:
    number = element("span", str(place), class_="number") if place else None
    parts = [element("h2", number, step.heading)]
    if step.sentences:
        parts.append(element("p", " ".join(step.sentences)))
    if step.rows:
        parts.append(wide(_table(sheet, step), label=step.heading))
    if step.readings:
        parts.append(wide(_readings(sheet, step.readings), label=f"Readings. {step.heading}"))
    return parts


def _table(sheet: BenchSheet, step: Step) -> Markup:
    frets = any(row.kind == "check" for row in step.rows)
    many = len(sheet.columns) > 7
    least_rem = 5.4 + 4.0 * len(sheet.columns) if many else 8.0 + 5.4 * len(sheet.columns)
    units = f"Large: {sheet.unit}; small: {sheet.other_unit}"
    if any(_limits_beside(cell) for row in step.rows for cell in row.cells):
        units = f"Large: aim in {sheet.unit}; small: limits in {sheet.unit}"
    return element(
        "table",
        element("caption", f"{units}."),
        element(
            "thead",
            element(
                "tr",
                element("th", "Fret" if frets else "String", scope="col", class_="words"),
                *(_column_head(column) for column in sheet.columns),
            ),
        ),
        element("tbody", *(_row(row, len(sheet.columns)) for row in step.rows)),
        class_=" ".join(["strings", *(["frets"] if frets else []), *(["many"] if many else [])]),
        style=f"min-width: {least_rem:.1f}rem",
    )


def _column_head(column: Column) -> Markup:
    return element(
        "th",
        str(column.string),
        element("small", f"{column.name} {column.side}".strip()),
        scope="col",
    )


def _row(row: Row, columns: int) -> Markup:
    if row.kind == "check":
        told = (_tick(), element("strong", f"{row.label}: "), " ".join(row.sentences))
        return element("tr", element("td", *told, colspan=columns + 1), class_="check")
    head = element("th", row.label, scope="row", class_="fret" if row.label.isdigit() else None)
    if row.kind == "write":
        cells = [element("td", class_="write") for _ in range(columns)]
    else:
        cells = [_cell(cell) for cell in row.cells]
    return element("tr", head, *cells)


def _limits_beside(cell: Cell) -> bool:
    return cell.amount is not None and cell.word not in ("", "up", "down")


def _cell(cell: Cell) -> Markup:
    if cell.amount is None:
        return element("td", "·", class_="none")
    arrow = {"up": "↑ ", "down": "↓ "}.get(cell.word, "")
    half = "½ " if cell.halfway else ""
    other = cell.word if _limits_beside(cell) else cell.amount.other
    return element(
        "td",
        element("span", f"{half}{arrow}{cell.amount.figure}", class_="figure"),
        element("span", other, class_="other"),
        class_="half" if cell.halfway else None,
    )


def _readings(sheet: BenchSheet, readings: tuple[Reading, ...]) -> Markup:
    rows = [
        element(
            "tr",
            element("th", one.name, scope="row"),
            element(
                "td",
                element("span", one.aim.figure, class_="figure"),
                element("span", one.aim.other, class_="other"),
            ),
            element("td", one.limits, class_="words"),
            element("td", class_="write"),
        )
        for one in readings
    ]
    heads = ("Reading", f"Aim, {sheet.unit} ({sheet.other_unit})", "Limits", "Read")
    return element(
        "table",
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *rows),
    )


def _tick() -> Markup:
    return element("span", class_="tick", aria_hidden="true")
