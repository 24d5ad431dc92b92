"""Any plan gives a sheet: it parses, says the same on screen and on paper, and no text acts."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import At, Finding
from evenfall.gates import Accepted
from evenfall.measurement.heights import Origin
from evenfall.pages import sheet_page
from evenfall.plan.before_cut import Rock
from evenfall.plan.limits import LeftOut, Miss, Undecided
from evenfall.plan.plan import Status
from evenfall.wording import plain_line, sentence
from evenfall.work import bench_sheet
from pages.paper import Reader, outside_references, page_count, text_of
from work.made_plans import made_plan

MARKS = "<>&\"'#$*_`@\\[](){}%~=/-+ aß\N{GREEK SMALL LETTER MU}"
WORDS = st.text(st.sampled_from(MARKS), min_size=1, max_size=40)
LENGTHS = st.floats(0.001, 0.2)


@st.composite
def plans(draw):
    """Return a specification and a plan with anything that a plan may say."""
    strings, frets = draw(st.integers(3, 12)), draw(st.integers(5, 36))
    spec, plan = made_plan(
        strings,
        frets,
        seed=draw(st.integers(0, 999)),
        need_mm=draw(st.floats(0.05, 0.2)),
        relief_change_mm=draw(st.sampled_from([0.0, 0.08, -0.05])),
        nut_change_mm=draw(st.sampled_from([0.0, 0.03, -0.03])),
        method=draw(st.sampled_from(["adjust", "spot", "profile", "beam", "refret"])),
    )
    string, fret = draw(st.integers(1, strings)), draw(st.integers(2, frets - 1))
    gate = Finding("not-seated", "Fret {fret} stands high.", At(frets=(fret,)), fret=fret)
    taken = Accepted("not-seated", str(fret), draw(WORDS), draw(WORDS))
    open_ends = st.sampled_from([np.inf, 0.004, 0.3])
    heights = plan.measurement.heights
    origin = heights.origin.copy()
    origin[string - 1, fret] = draw(st.sampled_from(list(Origin)))
    plan = replace(
        plan,
        measurement=replace(
            plan.measurement, serial=draw(WORDS), heights=replace(heights, origin=origin)
        ),
        status=draw(st.sampled_from(get_args(Status))),
        part=draw(st.sampled_from(["settings", "whole"])),
        lifted_mm=np.where(np.arange(frets) == fret, 0.04, np.zeros((strings, 1))),
        gates=draw(st.sampled_from([(), (gate,)])),
        accepted=draw(st.sampled_from([(), (taken,)])),
        ask=draw(st.sampled_from([(), (sentence("Deep: {cut:length}.", cut=0.2),)])),
        left_out=(LeftOut("action", (string,), sentence("Left: {why}", why=draw(WORDS))),),
        undecided=draw(st.sampled_from([(), (Undecided(string, 0, fret, 0.02, 0.004),) * 7])),
        misses=tuple(
            Miss(setting, (string,), (fret,), draw(open_ends), draw(open_ends), 0.05, None)
            for setting in ("rod", "saddle", "nut", "file")
        ),
        rocker=(Rock(fret, string, (fret - 1, fret, fret + 1), draw(LENGTHS), 0.03, np.nan),),
        level_clear_percent=draw(st.sampled_from([np.nan, 72.0, 150.0])),
        replaced_frets=draw(st.sampled_from([(), (fret,)])),
    )
    handed = draw(st.sampled_from(["right", "left"]))
    return replace(spec, name=draw(WORDS), kind=draw(WORDS), handed=handed), plan


def squeezed(text):
    return "".join(text.split())


@given(
    job=plans(),
    unit=st.sampled_from(["mm", "in"]),
    both=st.booleans(),
    paper=st.sampled_from(["a4", "us-letter", None]),
)
@draws(15)
def test_any_plan_gives_a_sheet_on_screen_and_on_paper(job, unit, both, paper):
    spec, plan = job
    content = bench_sheet(spec, plan)
    page = sheet_page(content, unit=unit, both=both, paper=paper)
    html, pdf = page.html(), page.pdf()
    assert outside_references(html) == []
    assert page_count(pdf) >= 1
    on_screen, on_paper = squeezed(Reader(html).text), squeezed(text_of(pdf, "-raw"))
    steps = [*page.content["steps"], page.content["after"], *page.content["preview"]]
    said = [
        *(plain_line(text) for text in (plan.measurement.serial, spec.name, spec.kind)),
        page.content["banner"]["headline"],
        *(text for note in page.content["notes"] for text in (note["topic"], *note["sentences"])),
        *(text for one in page.content["cautions"] for text in one.values()),
        *(text for step in steps for text in (step["heading"], *step["sentences"])),
        *(one["name"] for step in steps for one in step["targets"]),
    ]
    for text in said:
        assert squeezed(text) in on_screen
        assert squeezed(text) in on_paper
