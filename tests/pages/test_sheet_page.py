"""The bench sheet on paper and on screen."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from evenfall import pages
from evenfall.errors import RequestError
from evenfall.work import bench_sheet
from evenfall.work.parts import NOTHING_MM
from pages.paper import Reader, facts_of, outside_references, page_count, text_of
from work.made_plans import made_plan, misfit

TYPICAL = {"need_mm": 0.12, "roughness_mm": 0.035}  # 15 of 22 frets touched, everything moves
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="200" height="100" viewBox="0 0 200 100">'
    '<title id="t">A map</title><rect id="box" width="200" height="100" fill="#ddd"/>'
    '<use href="#box"/><text x="10" y="50">Straße</text></svg>'
)
NASTY = '<b>"#$[]</b> #eval("1") \\ @x *y* _z_ `c` $1$ &amp; \N{GUITAR} ÄÖÜß'


def sheet(**kwargs):
    spec, plan = made_plan(**(kwargs or TYPICAL))
    return plan, bench_sheet(spec, plan)


def sheet_pdf(content, pictures=None, *, unit="mm", **how):
    return pages.sheet_page(content, unit=unit, **how).pdf(pictures)


def sheet_html(content, pictures=None, *, unit="mm", **how):
    return pages.sheet_page(content, unit=unit, **how).html(pictures)


def test_a_typical_plan_is_one_page():
    plan, content = sheet()
    assert (plan.removal_mm >= NOTHING_MM).any(axis=0).sum() >= 14
    assert page_count(sheet_pdf(content)) == 1


def test_a_typical_plan_in_inches_is_one_page_too():
    _, content = sheet()
    assert page_count(sheet_pdf(content, unit="in")) == 1
    assert page_count(sheet_pdf(content, unit="in", both=True)) == 1


@pytest.mark.parametrize(
    ("unit", "size"),
    [
        ("mm", (210.0, 297.0)),  # A4, ISO 216
        ("in", (8.5 * 25.4, 11.0 * 25.4)),  # letter, ANSI/ASME Y14.1 size A (from memory)
    ],
)
def test_the_paper_goes_with_the_unit(unit, size):
    _, content = sheet()
    width, _, height, *_ = facts_of(sheet_pdf(content, unit=unit))["Page size"].split()
    # in points of 1/72 inch (ISO 32000-1, 8.3.2.3), printed to two decimals at most
    assert (float(width) / 72 * 25.4, float(height) / 72 * 25.4) == pytest.approx(size, abs=0.1)


def test_paper_can_be_chosen():
    _, content = sheet()
    assert facts_of(sheet_pdf(content, paper="us-letter"))["Page size"].startswith("612 x 792")
    assert "size: letter" in sheet_html(content, paper="us-letter")
    assert "size: A4" in sheet_html(content)


def times_shown(figure, text):
    return len(re.findall(rf"(?<![\d.]){re.escape(figure)}(?!\d)", text))


@pytest.mark.quick(1)
@pytest.mark.parametrize("unit", ["mm", "in"])
@pytest.mark.parametrize(
    ("strings", "frets", "need_mm"), [(6, 22, 0.16), (12, 36, 0.16), (3, 5, 0.25)]
)
def test_every_removal_is_on_paper_and_on_screen(strings, frets, need_mm, unit):
    spec, plan = made_plan(strings, frets, need_mm=need_mm, roughness_mm=0.05)
    content = bench_sheet(spec, plan)
    on_paper = text_of(sheet_pdf(content, unit=unit))
    on_screen = Reader(sheet_html(content, unit=unit)).text
    due = plan.removal_mm[plan.removal_mm >= NOTHING_MM]
    assert due.size >= 2
    per = 1.0 if unit == "mm" else 25.4
    figures = Counter(f"{removal_mm / per:.{3 if unit == 'mm' else 4}f}" for removal_mm in due)
    figures["0.0001"] += figures.pop("0.0000", 0)  # what is there never reads as nothing
    for figure, count in figures.items():
        assert times_shown(figure, on_paper) >= count, figure
        assert times_shown(figure, on_screen) >= count, figure


def both_pages(content, **how):
    """Return what the sheet says on paper and on screen."""
    return (
        " ".join(text_of(sheet_pdf(content, **how)).split()),
        " ".join(Reader(sheet_html(content, **how)).text.split()),
    )


@pytest.mark.slow
@pytest.mark.parametrize(("unit", "other"), [("mm", "in"), ("in", "mm")])
def test_a_sheet_speaks_in_one_unit_and_shows_both_where_that_is_asked_for(unit, other):
    spec, plan = made_plan(name="Tesquil (invented)", **TYPICAL)
    cut_mm = float(plan.removal_mm.max())
    here, there = (f"{cut_mm:.3f}", f"{cut_mm / 25.4:.4f}")[:: 1 if unit == "mm" else -1]
    for changed in (plan, replace(plan, replaced_frets=(3, 4), method="refret")):
        content = bench_sheet(spec, changed)
        for told in both_pages(content, unit=unit):
            assert re.search(rf"\d {unit}\b", told)
            assert not re.search(rf"\d ?{other}\b", told)
            assert times_shown(here, told)
            assert not times_shown(there, told)
        for told in both_pages(content, unit=unit, both=True):
            assert times_shown(here, told)
            assert times_shown(there, told)


def test_a_cut_too_small_for_the_last_digit_of_an_inch_is_not_shown_as_zero():
    spec, plan = made_plan(cut=False)
    removal = np.zeros_like(plan.removal_mm)
    removal[0, 4] = 0.001
    content = bench_sheet(spec, replace(plan, status="cut", removal_mm=removal))
    for told in both_pages(content, unit="in"):
        assert times_shown("0.0001", told)


@pytest.mark.slow
def test_a_long_table_repeats_its_head_on_the_next_page():
    spec, plan = made_plan(12, 36, need_mm=0.16, roughness_mm=0.03)
    content = sheet_pdf(bench_sheet(spec, plan))
    assert page_count(content) > 1
    second = text_of(content).split("\f")[1]
    assert "Fret" in second
    assert content_head(second) == plan.code


def content_head(page):
    return next(word for word in page.split() if re.fullmatch("[0-9A-F]{10}", word))


def test_the_same_sheet_is_the_same_bytes():
    _, content = sheet()
    pictures = {"Map": SVG}
    assert sheet_pdf(content, pictures) == sheet_pdf(content, pictures)
    assert sheet_html(content, pictures) == sheet_html(content, pictures)


def test_the_pdf_can_be_read_aloud():
    facts = facts_of(sheet_pdf(sheet()[1], {"Map": SVG}))
    assert facts["Tagged"] == "yes"
    name = "Six-string electric, 648\N{NO-BREAK SPACE}mm (invented), electric guitar"
    assert facts["Title"] == f"Bench sheet UY-0142 (invented), {name}"


def test_text_from_users_stays_text_on_paper():
    spec, plan = made_plan(serial=NASTY, name='Modell "Nö" #1 [x] $y$', **TYPICAL)
    content = bench_sheet(spec, plan)
    text = text_of(sheet_pdf(content))
    # the emoji may be missing from the fonts; every other sign is there as it was typed
    for piece in ('<b>"#$[]</b> #eval("1") \\ @x *y* _z_ `c` $1$ &amp;', "ÄÖÜß"):
        assert piece in " ".join(text.split())
    assert 'Modell "Nö" #1 [x] $y$, electric guitar' in " ".join(text.split())


def test_text_from_users_stays_text_on_screen():
    spec, plan = made_plan(serial=NASTY + "<script>alert(1)</script>", **TYPICAL)
    page = sheet_html(bench_sheet(spec, plan))
    assert "<script" not in page
    assert "<b>" not in page
    assert NASTY + "<script>alert(1)</script>" in Reader(page).text


def test_words_without_end_break():
    spec, plan = made_plan(serial="X" * 150, name="W" * 150, **TYPICAL)
    text = text_of(sheet_pdf(bench_sheet(spec, plan)))
    assert text.replace("\n", "").count("X") >= 150
    assert text.replace("\n", "").count("W") >= 150


def test_the_page_needs_nothing_else():
    page = sheet_html(sheet()[1], {"Map": SVG})
    assert outside_references(page) == []


def test_the_check_for_outside_references_sees_them():
    for bad in (
        '<img src="https://example.org/x.png">',
        "<script>1</script>",
        '<a href="x.html">x</a>',
        "<style>@import 'x.css';</style>",
        '<p style="background: url(x.png)">x</p>',
        '<p onclick="x()">x</p>',
    ):
        assert outside_references(bad)


def test_the_page_has_a_language_a_heading_and_scoped_heads():
    reader = Reader(sheet_html(sheet()[1]))
    assert ("html", "lang", "en") in reader.attributes
    assert reader.tags.count("main") == 1
    assert reader.tags.count("h1") == 1
    scopes = [value for tag, name, value in reader.attributes if (tag, name) == ("th", "scope")]
    assert len(scopes) == reader.tags.count("th") > 10
    assert set(scopes) == {"row", "col"}


@pytest.mark.slow
def test_pictures_come_after_the_sheet_as_many_to_a_page_as_fit():
    _, content = sheet()
    made = sheet_pdf(content, {"First": SVG, "Second": SVG})
    assert page_count(made) == 2
    assert text_of(made).split("\f")[1].count("Straße") == 2
    tall = SVG.replace('height="100" viewBox="0 0 200 100"', 'height="900" viewBox="0 0 200 900"')
    assert page_count(sheet_pdf(content, {"First": tall, "Second": tall})) == 3


def test_names_inside_pictures_do_not_mix():
    reader = Reader(sheet_html(sheet()[1], {"First": SVG, "Second": SVG}))
    names = [value for _, name, value in reader.attributes if name == "id"]
    assert len(names) == len(set(names)) == 4
    uses = [value for tag, name, value in reader.attributes if (tag, name) == ("use", "href")]
    assert {use.removeprefix("#") for use in uses} <= set(names)


@pytest.mark.quick(6)
@pytest.mark.parametrize(
    "bad",
    [
        "no drawing",
        "<p>no drawing</p>",
        '<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg" onload="x()"/>',
        '<svg xmlns="http://www.w3.org/2000/svg"><image href="https://example.org/x.png"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><a href="https://example.org"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><rect fill="url(https://example.org#a)"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><style>@import "x";</style></svg>',
        '<!DOCTYPE svg [<!ENTITY a "b">]><svg xmlns="http://www.w3.org/2000/svg">&a;</svg>',
    ],
)
@pytest.mark.parametrize("make", [sheet_pdf, sheet_html])
def test_a_drawing_that_reaches_outside_is_refused(bad, make):
    with pytest.raises(RequestError, match='"Map"'):
        make(sheet()[1], {"Map": bad})


def test_a_misfit_is_said_in_the_banner():
    spec, plan = made_plan(**TYPICAL)
    content = bench_sheet(spec, misfit(plan))
    told = "an action of 2.120 mm would fit."
    assert told in " ".join(text_of(sheet_pdf(content)).split())
    page = sheet_html(content)
    assert told in Reader(page).text
    assert 'class="banner alarm"' in page


def test_nothing_to_do_is_said():
    _, content = sheet(cut=False, relief_change_mm=0.0, saddle_change_mm=0.0, nut_change_mm=0.0)
    for text in (text_of(sheet_pdf(content)), Reader(sheet_html(content)).text):
        assert "nothing has to be done" in " ".join(text.split())


def test_the_code_is_printed_and_said():
    plan, content = sheet()
    assert plan.code in text_of(sheet_pdf(content))
    page = sheet_html(content)
    assert f'aria-label="evenfall:plan:{plan.code}"' in page
    assert plan.code in Reader(page).text


@pytest.mark.slow
def test_every_page_has_its_number_and_the_sheet_is_signed_where_it_ends():
    spec, plan = made_plan(12, 36, need_mm=0.16, roughness_mm=0.03)
    content = sheet_pdf(bench_sheet(spec, plan), {"Map": SVG})
    count = page_count(content)
    texts = text_of(content).split("\f")[:count]
    assert count == 3
    for number, text in enumerate(texts, start=1):
        assert f"page {number} of {count}" in text
    assert ["Done by" in text for text in texts] == [False, True, False]
    assert "After the work" in texts[1]
