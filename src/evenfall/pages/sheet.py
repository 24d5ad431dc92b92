"""The bench sheet as a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

from evenfall.pages.drawings import figures, for_paper, job_text, square_code
from evenfall.pages.figures import Figures
from evenfall.pages.markup import Markup, css_paper, element, joined, page, wide
from evenfall.pages.typesetting import breakable, paper_for, pdf

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from evenfall.pages.typesetting import Paper
    from evenfall.units import LengthUnit
    from evenfall.work.sheet import BenchSheet, Cell, Step

Worded: TypeAlias = "Mapping[str, Any]"
"""A part of the sheet as `_worded` returns it."""


def sheet_pdf(
    sheet: BenchSheet,
    pictures: Mapping[str, str] | None = None,
    *,
    unit: LengthUnit,
    both: bool = False,
    paper: Paper | None = None,
) -> bytes:
    """Return the bench sheet as PDF.

    Parameters
    ----------
    sheet
        What it says.
    pictures
        SVG drawings by name, on pages of their own after the sheet; the name stands over a drawing
        that carries no title.
    unit
        "mm" or "in", for every length.
    both
        Whether the figures of its tables stand in the other unit as well, in small.
    paper
        "a4" or "us-letter"; by default what goes with the unit.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    data = {
        "sheet": _worded(sheet, Figures(unit, both=both)),
        "titles": {
            "serial": breakable(sheet.serial),
            "model": breakable(sheet.model),
            "kind": breakable(sheet.kind),
        },
        "paper": paper or paper_for(unit),
        "code_text": job_text(sheet.code),
        "code_picture": square_code(job_text(sheet.code)),
        "pictures": for_paper(pictures or {}),
    }
    return pdf("bench_sheet.typ", data)


def sheet_html(
    sheet: BenchSheet,
    pictures: Mapping[str, str] | None = None,
    *,
    unit: LengthUnit,
    both: bool = False,
    paper: Paper | None = None,
) -> str:
    """Return the bench sheet as one HTML file that needs nothing else.

    Parameters
    ----------
    sheet, pictures, unit, both, paper
        As `sheet_pdf`.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    told = _worded(sheet, Figures(unit, both=both))
    steps = [
        element("li", *_step(told, step, place))
        for place, step in enumerate(told["steps"], start=1)
    ]
    body = joined(
        [
            _head(told),
            _banner(told["banner"]),
            _cautions(told["cautions"]),
            element("ol", *steps, class_="steps"),
            *_step(told, told["after"], len(steps) + 1 if steps else 0),
            element(
                "p",
                *(element("span", label) for label in ("Done by", "Date", "Measured with")),
                class_="sign",
            ),
            *figures(pictures or {}),
        ],
        between="\n",
    )
    chosen = paper or paper_for(unit)
    return page(f"Bench sheet {sheet.serial}", body, paper=css_paper(chosen))


def _worded(sheet: BenchSheet, figures: Figures) -> dict[str, Any]:
    """Return what the sheet says as plain values, for paper and screen alike."""
    told: dict[str, Any] = figures.plain(sheet)
    told |= {"unit": figures.unit, "beside": figures.beside or ""}
    said: list[tuple[Step, dict[str, Any]]] = [(sheet.after, told["after"])]
    said += zip(sheet.steps, told["steps"], strict=True)
    for step, words in said:
        for target, one in zip(step.targets, words["targets"], strict=True):
            one.update(_figures(target.length_mm, figures))
        for row, line in zip(step.rows, words["rows"], strict=True):
            line["cells"] = [_cell_words(cell, figures) for cell in row.cells]
    return told


def _figures(length_mm: float, figures: Figures) -> dict[str, str]:
    """Return a length as figures; one that somebody shall take off never reads as zero."""
    return {
        "figure": figures.figure(length_mm, never_zero=True),
        "small": figures.small(length_mm, never_zero=True),
    }


def _cell_words(cell: Cell, figures: Figures) -> dict[str, Any] | None:
    if cell.length_mm is None:
        return None
    return {
        **_figures(cell.length_mm, figures),
        "move": cell.move,
        "limits": [figures.figure(limit_mm) for limit_mm in cell.limits_mm or ()],
        "halfway": cell.halfway,
    }


# ---- HTML ----------------------------------------------------------------------------------------


def _head(told: Worded) -> Markup:
    facts = [
        element("div", element("dt", label), element("dd", value)) for label, value in told["facts"]
    ]
    mark = element("span", "invented example", class_="mark") if told["invented"] else None
    code = job_text(told["code"])
    return element(
        "header",
        element(
            "div",
            element("h1", element("small", "Bench sheet"), " ", told["serial"]),
            element("p", f"{told['model']}, {told['kind']} ", mark),
            element("dl", *facts, class_="facts"),
        ),
        element("div", Markup(square_code(code, label=code)), told["code"], class_="code"),
    )


def _banner(told: Worded) -> Markup:
    alarm = told["tone"] in ("relaxed", "stop")
    return element(
        "div",
        element("strong", ("! " if alarm else "") + told["headline"]),
        *(element("p", sentence) for sentence in told["sentences"]),
        class_="banner alarm" if alarm else "banner",
        role="note",
    )


def _cautions(cautions: Sequence[Worded]) -> Markup | None:
    if not cautions:
        return None
    told = [
        element("li", element("strong", f"{one['topic']}. "), one["sentence"]) for one in cautions
    ]
    return element(
        "section",
        element("h2", "Cautions"),
        element("ul", *told, class_="plain"),
        class_="cautions",
    )


def _step(told: Worded, step: Worded, place: int) -> list[Markup]:
    number = element("span", str(place), class_="number") if place else None
    heading = step["heading"]
    parts = [element("h2", number, heading)]
    if step["sentences"]:
        parts.append(element("p", " ".join(step["sentences"])))
    if step["rows"]:
        parts.append(wide(_table(told, step["rows"]), label=heading))
    if step["targets"]:
        parts.append(wide(_targets(told, step["targets"]), label=f"Readings. {heading}"))
    return parts


def _table(told: Worded, rows: Sequence[Worded]) -> Markup:
    columns = told["columns"]
    frets = any(row["kind"] == "check" for row in rows)
    many = len(columns) > 7
    least_rem = 5.4 + 4.0 * len(columns) if many else 8.0 + 5.4 * len(columns)
    caption = f"All in {told['unit']}."
    if any(cell and cell["limits"] for row in rows for cell in row["cells"]):
        caption = f"Large figure: target in {told['unit']}. Small figures: limits."
    elif told["beside"]:
        caption = f"Large figure: {told['unit']}. Small figure: {told['beside']}."
    return element(
        "table",
        element("caption", caption),
        element(
            "thead",
            element(
                "tr",
                element("th", "Fret" if frets else "String", scope="col", class_="words"),
                *(_column_head(column) for column in columns),
            ),
        ),
        element("tbody", *(_row(row, len(columns)) for row in rows)),
        class_=" ".join(["strings", *(["frets"] if frets else []), *(["many"] if many else [])]),
        style=f"min-width: {least_rem:.1f}rem",
    )


def _column_head(column: Worded) -> Markup:
    beside = element("small", f"{column['name']} {column['side']}".strip())
    return element("th", str(column["string"]), beside, scope="col")


def _row(row: Worded, columns: int) -> Markup:
    label = row["label"]
    if row["kind"] == "check":
        tick = element("span", class_="tick", aria_hidden="true")
        told = (tick, element("strong", f"{label}: "), " ".join(row["sentences"]))
        return element("tr", element("td", *told, colspan=columns + 1), class_="check")
    head = element("th", label, scope="row", class_="fret" if label.isdigit() else None)
    if row["kind"] == "write":
        cells = [element("td", class_="write") for _ in range(columns)]
    else:
        cells = [_cell(cell) for cell in row["cells"]]
    return element("tr", head, *cells)


def _cell(cell: Worded | None) -> Markup:
    if cell is None:
        return element("td", "·", class_="none")
    arrow = {"up": "↑ ", "down": "↓ "}.get(cell["move"], "")
    half = "½ " if cell["halfway"] else ""
    small = " to ".join(cell["limits"]) or cell["small"]
    return element(
        "td",
        element("span", f"{half}{arrow}{cell['figure']}", class_="figure"),
        element("span", small, class_="other") if small else None,
        class_="half" if cell["halfway"] else None,
    )


def _targets(told: Worded, targets: Sequence[Worded]) -> Markup:
    rows = [
        element(
            "tr",
            element("th", one["name"], scope="row"),
            element(
                "td",
                element("span", one["figure"], class_="figure"),
                element("span", one["small"], class_="other") if one["small"] else None,
            ),
            element("td", one["limits"] or "", class_="words"),
            element("td", class_="write"),
        )
        for one in targets
    ]
    unit = f"{told['unit']} ({told['beside']})" if told["beside"] else told["unit"]
    heads = ("Reading", f"Target, {unit}", "Limits", "Read")
    return element(
        "table",
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *rows),
    )
