"""What every page shares: escaping, themes, a narrow screen, the mark of invented data."""

from __future__ import annotations

import re

import pytest
from jinja2 import UndefinedError

from evenfall.pages import Page
from evenfall.pages.dossier import Row, dossier_page
from evenfall.pictures.inks import DARK, LIGHT, PAGE, PRINT
from evenfall.pictures.svg import document, rect
from pages.paper import Reader, outside_references, text_of

HEAD = {
    "name": "Bench sheet",
    "serial": "UY-0142",
    "model": "Tesquil",
    "facts": [("Method", "adjust")],
    "code": "0123456789",
    "job": "0123456789",
}
BOXES = {"kind": "write", "label": "Read", "limits": False}
EMPTY_STEP = {"heading": "Read", "sentences": [], "rows": [], "targets": [], "head": "String"}
BODY = {
    "banner": {"tone": "go", "headline": "Nothing to do.", "sentences": []},
    "notes": [],
    "cautions": [],
    "preview": [],
    "columns": [{"string": 1, "name": "E4", "gauge": "ø0.254", "side": ""}],
    "steps": [],
    "after": EMPTY_STEP,
    "unit": "mm",
    "unit_name": "millimetres",
    "beside": "",
}
ATTACKS = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% raw %}",
    '#panic("x") #[*a*] $1$ `b` \\ @c',
    "&lt;b&gt; 'a' \"b\"",
)


def page(**changed):
    return Page("bench_sheet", {**HEAD, **BODY, **changed}, "a4")


@pytest.mark.quick(9)
@pytest.mark.parametrize("attack", ATTACKS)
@pytest.mark.parametrize("field", ["serial", "model", "facts", "banner", "columns", "after"])
def test_text_from_outside_stays_text_wherever_it_stands(field, attack):
    changed = {
        "facts": [("Method", attack)],
        "banner": {"tone": "go", "headline": attack, "sentences": [attack]},
        "columns": [{"string": 1, "name": attack, "gauge": "", "side": ""}],
        "after": {**EMPTY_STEP, "heading": attack, "rows": [BOXES | {"label": attack}]},
    }.get(field, attack)
    told = {"after": {**EMPTY_STEP, "rows": [BOXES]}, field: changed}
    made = page(**told)
    html = made.html()
    assert outside_references(html) == []
    reader = Reader(html)
    assert attack in reader.text
    assert "script" not in reader.tags
    assert "b" not in reader.tags
    paper = "".join(text_of(made.pdf()).split())
    assert "".join(attack.split()) in paper


def test_a_page_that_lacks_a_value_is_an_error_and_no_gap():
    content = {**HEAD, **BODY}
    del content["banner"]
    with pytest.raises(UndefinedError):
        Page("bench_sheet", content, "a4").html()


def test_every_ink_has_its_colour_in_each_theme_and_no_rule_names_another():
    html = page().html()
    style = html.partition("<style>")[2].partition("</style>")[0]
    parts = re.findall(r"@media ([^{]+?) { :root { (.*?) } }", style)
    assert [media for media, _ in parts] == [
        "all",
        "screen and (prefers-color-scheme: dark)",
        "print",
    ]
    for (_, told), theme in zip(parts, (LIGHT, DARK, PRINT), strict=True):
        assert dict(re.findall(r"--([\w-]+): (#\w+);", told)) == {
            name.removeprefix("@"): colour for name, colour in theme.items()
        }
    own = style.partition(":root { color-scheme")[2]
    assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b", own)) == {"#fff"}  # under the square code
    assert {f"@{name}" for name in re.findall(r"var\(--([\w-]+)\)", own)} <= set(LIGHT)


def test_a_drawing_in_the_inks_of_the_page_follows_it_from_light_to_dark():
    drawing = document(10, [rect(0, 0, 5, 5, fill="@risk")], title="t", description="d", theme=PAGE)
    html = page().html({"one": drawing})
    assert 'fill="var(--risk)"' in html
    assert 'fill="var(--paper)"' in html
    assert outside_references(html) == []


def test_wide_things_scroll_by_themselves_on_a_narrow_screen_and_not_on_paper():
    """Shrunk to a phone's width their figures could not be read; paper is wide enough."""
    html = page().html({"one": '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"/>'})
    assert '<div class="wide" tabindex="0" role="region" aria-label="one"><svg' in html
    assert ("meta", "name", "viewport") in Reader(html).attributes
    screen, _, paper = html.rpartition("@media print")
    assert "figure svg { width: 100%; min-width:" in screen
    assert re.search(r"figure svg { min-width: 0 !important; }", paper)


def test_invented_data_is_marked_on_every_page_and_nothing_else_is():
    many = [{**EMPTY_STEP, "heading": f"Step {n}", "sentences": ["Long. " * 150]} for n in range(8)]
    for invented in (False, True):
        made = page(serial="UY-0142 (invented)" if invented else "UY-0142", steps=many)
        texts = [text for text in text_of(made.pdf()).split("\f") if text.strip()]
        assert len(texts) > 1
        assert ["invented example" in text for text in texts] == [invented] * len(texts)
        assert ("invented example" in Reader(made.html()).text) == invented
        assert ("Invented example" in Reader(made.html()).text) == invented


def test_the_title_names_model_and_serial():
    assert "<title>Bench sheet UY-0142, Tesquil</title>" in page().html()


def test_a_long_word_in_a_dossier_may_break() -> None:
    row = Row("2026-03-31", "note", f"Seen {'verylongword' * 12}.", "Q. Ulbrenq", "", "c4dc55499c")
    page = dossier_page(
        serial="UY-0417 (invented)",
        model="Tesquil (invented)",
        facts=[],
        code="C4DC55499C",
        rows=[row],
        remarks=["y" * 120],
        unit="mm",
    )
    (shown,) = page.content["rows"]
    longest = max(
        map(len, re.split(r"[\s\u200b]", f"{shown['words']} {page.content['remarks'][0]}"))
    )
    assert longest <= 22
    assert page.file("pdf").startswith(b"%PDF")
