"""The certificate on paper and on screen says what the proof says."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from evenfall.pages import certificate, certificate_page, deciding_items
from evenfall.proof import prove
from made_heights import changed
from pages.paper import Reader, facts_of, outside_references, page_count, text_of
from work.made_plans import made_plan

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="200" height="100" viewBox="0 0 200 100">'
    '<rect width="200" height="100" fill="#ddd"/><text x="10" y="50">strip</text></svg>'
)


def certificate_pdf(made, pictures=None):
    return certificate_page(made).pdf(pictures)


def certificate_html(made, pictures=None):
    return certificate_page(made).html(pictures)


@cache
def proof(noise_mm=0.0, u_mm=0.004, attack_n=0.35):
    """Return the proof of a plan that was carried out, but for some noise."""
    spec, plan = made_plan(need_mm=0.12, roughness_mm=0.035)
    chance = np.random.default_rng(5)
    top = plan.crown_top_after_mm
    after = changed(
        plan.measurement,
        crown_top_mm=top + chance.normal(0.0, noise_mm, top.shape),
        crown_top_u_mm=np.full(top.shape, u_mm),
        crown_height_mm=plan.crown_height_after_mm,
        nut_mm=plan.nut_after_mm,
        saddle_mm=plan.saddle_after_mm,
        source=("after.csv",),
    )
    return prove(spec, plan, after, attack_n=[attack_n] * 6)


def clean():
    """Return the proof of the same work for a light hand."""
    return proof(attack_n=0.15)


def pages_of(made):
    return text_of(certificate_pdf(made)), Reader(certificate_html(made)).text


def squeezed(text):
    return re.sub(r"\s+", " ", text)


@pytest.mark.slow
def test_every_item_is_listed_with_value_uncertainty_and_verdict():
    result = proof(0.02)
    made = certificate(result, unit="mm")
    assert len(made.items) == len(result.items)
    paper, screen = pages_of(made)
    for item, shown in zip(result.items, made.items, strict=True):
        assert shown.name == str(item.name)
        assert float(shown.result.figure) == pytest.approx(item.value, abs=0.000501)
        assert float(shown.expanded.figure) == pytest.approx(
            item.expanded_uncertainty, abs=0.000501
        )
        assert shown.verdict == item.verdict
        for text in (squeezed(paper), screen):
            assert str(item.name) in text
            assert shown.result.figure in text


@pytest.mark.slow
def test_the_verdict_and_its_counts_come_from_the_items():
    for result in (clean(), proof(0.02), proof(u_mm=0.2)):
        made = certificate(result, unit="mm")
        assert made.verdict == result.verdict
        wrong = sum(item.verdict == "does not conform" for item in result.items)
        unsure = sum(item.verdict == "undecided" for item in result.items)
        assert len(made.open_items) == wrong + unsure
        numbers = [int(n) for n in re.findall(r"\d+", made.headline)]
        assert numbers == [len(result.items), *(n for n in (wrong, unsure) if n)]
        paper, screen = pages_of(made)
        said = result.verdict[0].upper() + result.verdict[1:]
        assert said in paper
        assert said in screen


def test_the_samples_reach_all_three_verdicts():
    verdicts = [p.verdict for p in (clean(), proof(0.06), proof(u_mm=0.2))]
    assert verdicts == ["conforms", "does not conform", "undecided"]


def test_of_every_kind_the_item_nearest_to_its_limit_stands_in_front():
    result = proof(0.02)
    made = certificate(result, unit="mm")
    assert [kind.name for kind in made.kinds] == [
        "Action",
        "First-fret gap",
        "Relief",
        "Crown height",
        "Clearance at the attack",
    ]
    for kind, item in zip(made.kinds, deciding_items(result), strict=True):
        same = [i for i in result.items if i.quantity == item.quantity]
        rank = {"does not conform": 0, "undecided": 1, "conforms": 2}
        worst = min(rank[i.verdict] for i in same)
        assert rank[item.verdict] == worst
        assert item.probability == min(i.probability for i in same if rank[i.verdict] == worst)
        assert kind.nearest.name == str(item.name)
        counted = sum(int(n) for n in re.findall(r"\d+", kind.count))
        assert counted == len(same)


@pytest.mark.slow
def test_budgets_add_up_to_the_uncertainty_of_their_item():
    result = proof()
    made = certificate(result, unit="mm")
    due = [*deciding_items(result), *(i for i in result.items if i.verdict != "conforms")]
    assert {listing.item.name for listing in made.budgets} == {str(item.name) for item in due}
    for listing in made.budgets:
        item = next(i for i in result.items if str(i.name) == listing.item.name)
        parts = [float(line.contribution.split()[0]) for line in listing.inputs]
        if listing.rest:
            parts.append(float(listing.rest.split(": ")[1].split()[0]))
            assert len(parts) - 1 + int(listing.rest.split()[0]) == len(item.lines)
        else:
            assert len(parts) == len(item.lines)
        total_mm = sum(part**2 for part in parts) ** 0.5  # JCGM 100:2008, eq. 10
        assert total_mm == pytest.approx(item.standard_uncertainty, abs=5e-5 * len(parts) ** 0.5)
    paper, screen = pages_of(made)
    for listing in made.budgets:
        assert listing.result in squeezed(paper)
        assert str(listing.inputs[0].name) in screen


def test_the_rule_is_told_with_its_coverage():
    result = proof()
    told = " ".join(certificate(result, unit="mm").rule)
    assert "ISO 14253-1" in told
    assert "95 %" in told
    assert "k = 1.96" in told
    assert "chance of at most 5 %" in told
    assert f"from {result.refusal_factor:.2f} standard uncertainties" in told
    told = " ".join(certificate(replace(result, rule="probability"), unit="mm").rule)
    assert "JCGM 106" in told
    assert "probability of at most 5 %" in told


def test_the_notes_are_counted_by_their_state():
    for result in (clean(), proof(0.02)):
        told = dict(certificate(result, unit="mm").facts)["Notes"]
        counts = {words: int(n) for n, words in re.findall(r"(\d+) ([a-z ]+)", told)}
        state = result.positions.state
        for words, one in (("clear", 1), ("as good as level frets", 2), ("not clear", 3)):
            assert counts.get(words, 0) == (state == one).sum()
        assert sum(counts.values()) == state.size


def test_hashes_and_codes_lead_back_to_what_was_judged():
    result = replace(proof(), worked_hashes=("ab" * 32,))
    made = certificate(result, unit="mm")
    assert made.plan_code == result.plan_hash[:10].upper()
    for text in pages_of(made):
        for digest in (
            result.after_hash,
            result.plan_hash,
            *result.worked_hashes,
            result.specification_hash,
        ):
            assert digest in text.replace("\n", "").replace(" ", "")
        assert made.plan_code in text


@pytest.mark.slow
def test_steps_and_remarks_are_printed():
    result = proof(0.02)
    made = certificate(result, unit="mm")
    assert made.next_steps == tuple(str(step) for step in result.next_steps)
    for text in pages_of(made):
        for sentence in (*made.next_steps, *made.remarks):
            assert sentence in squeezed(text)


def test_inch_comes_first_where_it_is_asked_for():
    result = proof()
    made = certificate(result, unit="in", both=True)
    for item, shown in zip(result.items, made.items, strict=True):
        assert float(shown.result.figure) == pytest.approx(item.value / 25.4, abs=5.01e-5)
        assert float(shown.result.other) == pytest.approx(item.value, abs=0.000501)
    assert facts_of(certificate_pdf(made))["Page size"].startswith("612 x 792")


@pytest.mark.slow
@pytest.mark.parametrize(("unit", "other"), [("mm", "in"), ("in", "mm")])
def test_a_certificate_speaks_in_one_unit_unless_both_are_asked_for(unit, other):
    result = replace(proof(noise_mm=0.004), model="Tesquil (invented)", next_steps=())
    for both in (False, True):
        made = certificate(result, unit=unit, both=both)
        for told in (text_of(certificate_pdf(made)), Reader(certificate_html(made)).text):
            assert re.search(rf"\d\s{unit}\b", told)
            assert not re.search(rf"\d\s?{other}\b", told)
        assert (made.items[0].result.other != "") == both


def test_the_date_is_data_and_the_bytes_repeat():
    made = certificate(proof(), unit="mm", date="2026-03-31", issuer="Ulqor Yard", place="Bench 2")
    first = certificate_pdf(made, {"Strip": SVG})
    assert first == certificate_pdf(made, {"Strip": SVG})
    facts = facts_of(first)
    assert "2026" in facts["CreationDate"]
    assert facts["Tagged"] == "yes"
    text = text_of(first)
    for told in ("2026-03-31", "Ulqor Yard", "Bench 2", "Signature"):
        assert told in text
    undated = facts_of(certificate_pdf(certificate(proof(), unit="mm")))
    assert "CreationDate" not in undated
    assert first != certificate_pdf(replace(made, date="2026-04-01"), {"Strip": SVG})


@pytest.mark.slow
def test_a_date_in_words_is_printed_as_it_is():
    made = certificate(proof(), unit="mm", date="Ende März 2026")
    assert "Ende März 2026" in text_of(certificate_pdf(made))


@pytest.mark.slow
def test_what_is_invented_is_marked():
    for text in pages_of(certificate(proof(), unit="mm")):
        assert "invented example" in text


def test_text_from_users_stays_text():
    nasty = '<b>"#$[]</b> #eval("1") @x *y* `c` <script>alert(1)</script>'
    made = certificate(replace(proof(), serial=nasty), unit="mm", issuer="#panic() [x]")
    paper = squeezed(text_of(certificate_pdf(made)))
    assert '<b>"#$[]</b> #eval("1") @x *y* `c`' in paper
    assert "#panic() [x]" in paper
    page = certificate_html(made)
    assert "<script" not in page
    assert nasty in Reader(page).text


def test_the_page_needs_nothing_else_and_heads_have_a_scope():
    page = certificate_html(certificate(proof(0.02), unit="mm"), {"Strip": SVG})
    assert outside_references(page) == []
    reader = Reader(page)
    assert ("html", "lang", "en") in reader.attributes
    assert (reader.tags.count("main"), reader.tags.count("h1")) == (1, 1)
    scopes = [value for tag, name, value in reader.attributes if (tag, name) == ("th", "scope")]
    assert len(scopes) == reader.tags.count("th") > 30


def test_verdict_table_and_signature_are_on_the_first_page():
    first = text_of(certificate_pdf(certificate(clean(), unit="mm"))).split("\f")[0]
    for told in ("Conforms", "Clearance at the attack", "ISO 14253-1", "Signature"):
        assert told in first
    assert page_count(certificate_pdf(certificate(proof(), unit="mm"))) <= 4


@pytest.mark.quick(1)
@pytest.mark.parametrize("pictures", [{}, {"Strip": SVG}, {"Strip": SVG.replace('"100"', '"900"')}])
def test_every_page_has_its_number_and_its_head(pictures):
    made = certificate(proof(0.02), unit="mm")
    content = certificate_pdf(made, pictures)
    count = page_count(content)
    texts = text_of(content).split("\f")[:count]
    assert count > 2
    for number, text in enumerate(texts, start=1):
        assert f"page {number} of {count}" in text
        assert "Setup certificate UY-0142" in squeezed(text)
    assert "Everything judged" not in texts[0]
