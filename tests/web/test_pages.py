"""Every page: what heads it; at three widths, light and dark, nothing for axe-core or cut off."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, expect

from evenfall import workshop
from evenfall.web.application import application
from evenfall.workshop import AddRequest, NoteRequest
from evenfall.workshop.examples import SERIALS
from served import ROOT, serving
from steps import file_at_work

AXE = ROOT / "node_modules" / "axe-core" / "axe.min.js"
COMPILER = ROOT / "node_modules" / ".bin" / "tsc"
PAGES = {
    "instruments": "/instruments",
    "new": "/new",
    "one instrument": "/instruments/{0}",
    "measure": "/instruments/{0}/measure",
    "specifications": "/specifications",
    "a new model": "/specifications/new?kind=mandolin",
    "specification": "/instruments/{0}/specification",
    "gauges": "/gauges",
    "a gauge": "/gauges/{3}",
    "a study of a gauge": "/gauges/{3}/study",
    "its sheet": "/gauges/{3}/study?parts=3&persons=Ilva&trials=2&seed=1",
    "charts": "/charts",
    "capability": "/charts/capability?quantity=relief&lower=0.1&upper=0.3",
    "causes": "/charts/causes?quantity=relief",
    "report of a day": "/charts/report?day=2026-05-04",
    "plan": "/instruments/{1}/plan",
    "work": "/instruments/{2}/work",
    "to target": "/instruments/{4}/target",
    "program": "/instruments/{2}/program",
    "proof": "/instruments/{2}/proof",
    "label": "/instruments/{0}/label",
    "archive": "/archive",
    "settings": "/settings",
    "every note": "/instruments/{1}/play",
    "under way": "/under-way",
    "not possible": "/instruments/nobody",
}

MAIN = {"instruments", "measure", "plan", "charts", "proof", "not possible"}
"""Pages of each kind: a list, a sheet of fields, a map, charts, a verdict, a refusal."""

BETWEEN = 820
PORT = 8417

AXE_RUN = "axe.run({resultTypes: ['violations']}).then(r => r.violations)"
"""What passes is not described, of which a map has thousands of parts."""

SMALL = """[...document.querySelectorAll('.button, select, input:not([type=hidden]), nav a, .cell')]
    .filter((one) => one.checkVisibility() && !one.closest('.check'))
    .filter((one) => one.getBoundingClientRect().height < 43.5)
    .map((one) => one.outerHTML.slice(0, 90))"""


@pytest.fixture(scope="module")
def examples(
    tmp_path_factory: pytest.TempPathFactory, with_examples: Callable[[Path], Path]
) -> Iterator[tuple[str, list[str]]]:
    folder = with_examples(tmp_path_factory.mktemp("examples"))
    with workshop.archive(str(folder)) as dossiers:
        gauge = "height gauge 3 (invented)"
        dossiers.add(AddRequest(subject="gauge", name=gauge))
        for read_mm in (5.001, 5.003, 4.999):
            facts = {"standard": "block (invented)", "reference_mm": 5.0, "read_mm": read_mm}
            dossiers.note(NoteRequest(gauge, "", facts=facts))
        names = [dossiers.named(named) for named in (*SERIALS, gauge)]
        names.append(file_at_work(dossiers, "WK-0001 (invented)"))
    with serving(folder) as place:
        yield place, names


SEEN = {
    "/instruments/{0}": ("UY-0415 (invented)", "Choose the plan"),
    "/instruments/{0}/measure": ("Measure UY-0415 (invented)", "Type the readings"),
    "/instruments/{0}/specification": ("Specification of UY-0415 (invented)", "As a form"),
    "/instruments/{1}/plan": ("Plan for UY-0416 (invented)", "3 frets come down"),
    "/instruments/{1}/play": ("Every note of UY-0416 (invented)", "Every string plucked"),
    "/instruments/{2}/work": ("Work on UY-0417 (invented)", "Cautions"),
    "/instruments/{2}/program": ("Program for a machine, UY-0417 (invented)", "reported as done"),
    "/instruments/{2}/proof": ("Proof of UY-0417 (invented)", "Verdict: conforms"),
    "/specifications/new?kind=mandolin": ("A new model", "The same as text"),
    "/archive": ("Archive", "3 dossiers with 25 entries"),
    "/gauges": ("Gauges", "No gauge yet"),
}
"""What stands at the head of a page, and what it is there for."""


def test_each_page_says_whose_it_is_and_what_to_do(
    tmp_path: Path, with_examples: Callable[[Path], Path]
) -> None:
    with workshop.archive(str(with_examples(tmp_path / "archive"))) as dossiers:
        names = [dossiers.named(serial) for serial in SERIALS]
        app = application(dossiers, port=PORT)
        client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}")
        for place, (heading, said) in SEEN.items():
            shown = client.get(place.format(*names))
            assert shown.status_code == 200, place
            assert f"<h1>{heading}</h1>" in shown.text, place
            assert said in shown.text, place
        app.state.shop.leave()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("wide", "scheme", "names"),
    [
        (390, "dark", MAIN),
        pytest.param(390, "dark", sorted(PAGES.keys() - MAIN), marks=pytest.mark.slow),
        pytest.param(1280, "light", PAGES, marks=pytest.mark.slow),
        pytest.param(BETWEEN, "dark", PAGES, marks=pytest.mark.slow),
    ],
    ids=["narrow", "narrow, the rest", "wide", "between"],
)
def test_nothing_keeps_anybody_out(
    browser: Browser,
    examples: tuple[str, list[str]],
    wide: int,
    scheme: str,
    names: Iterable[str],
) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core is not installed; npm ci installs it")
    place, filed = examples
    context = browser.new_context(
        base_url=place,
        viewport={"width": wide, "height": 900},
        color_scheme="dark" if scheme == "dark" else "light",
        bypass_csp=True,  # for the checker, which is no part of the pages
    )
    page = context.new_page()
    found = []
    for name in names:
        page.goto(PAGES[name].format(*filed))
        page.wait_for_load_state("networkidle")
        if page.evaluate("document.documentElement.scrollWidth") > wide:
            found.append(f"{name}: wider than the screen")
        found += [f"{name}: too small to touch: {one}" for one in page.evaluate(SMALL)]
        if wide == BETWEEN:
            continue  # its colours and parts are those of the narrow ones, which axe-core has seen
        page.add_script_tag(path=AXE)
        for fault in page.evaluate(AXE_RUN):
            if fault["impact"] != "minor":
                nodes = [node["html"][:150] for node in fault["nodes"][:3]]
                found.append(f"{name}: {fault['id']} ({fault['impact']}): {nodes}")
    context.close()
    assert not found, "\n".join(found)


@pytest.mark.slow
def test_the_checker_sees_a_fault(browser: Browser, examples: tuple[str, list[str]]) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core is not installed; npm ci installs it")
    context = browser.new_context(base_url=examples[0], bypass_csp=True)
    page = context.new_page()
    page.goto("/instruments")
    page.evaluate("document.querySelector('label[for=words]').remove()")
    page.add_script_tag(path=AXE)
    assert "label" in page.evaluate("axe.run().then(r => r.violations.map(v => v.id))")
    context.close()


@pytest.mark.slow
def test_the_map_follows_the_arrows_and_the_plan_the_sliders(
    browser: Browser, examples: tuple[str, list[str]]
) -> None:
    place, names = examples
    context = browser.new_context(base_url=place, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(f"/instruments/{names[1]}/plan")
    picked = page.locator("#picked")
    page.locator(".cell[tabindex='0']").focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert "fret 2" in picked.inner_text().lower()
    # the side view picks along the string, the section across the fret: one selection for all three
    page.locator("#side [data-stop='9']").click()
    expect(page.locator("#side-head")).to_contain_text("stopped at fret 9")
    expect(page.locator("#crown-head")).to_contain_text("fret 9")
    page.locator("#crown g[data-string='4']").click()
    expect(picked).to_contain_text("String 4, fret 9")
    page.locator("#side-view").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    expect(picked).to_contain_text("String 3, fret 10")
    page.locator("#crown-view").focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#side-head")).to_have_text("String 2 from the side, stopped at fret 10")
    expect(page.locator("#side .here")).to_have_count(1)
    expect(page.locator(".cell[aria-selected='true']")).to_have_attribute("data-k", "1")
    metal = page.locator("#answer dd").first
    before = metal.inner_text()
    page.locator("#attack").focus()
    for _ in range(25):
        page.keyboard.press("ArrowLeft")
    expect(page.locator("#attack-shown")).to_have_text("75 %")
    expect(metal).not_to_have_text(before)
    assert float(metal.inner_text().split()[0]) < float(before.split()[0])
    page.keyboard.press("Control+z")
    expect(page.locator("#attack")).not_to_have_value("75")
    page.locator("#action").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#take-it")).to_be_disabled()
    assert "keeps those of the specification" in page.locator("#take-said").inner_text()
    context.close()


@pytest.mark.slow
def test_the_scripts_hold_to_their_types() -> None:
    if not COMPILER.exists():
        pytest.skip("tsc is not installed; npm ci installs it")
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    done = subprocess.run([COMPILER, "-p", ROOT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


@pytest.mark.slow
def test_types_of_the_scripts_are_checked_strictly(tmp_path: Path) -> None:
    if not COMPILER.exists() or shutil.which("node") is None:
        pytest.skip("tsc is not installed; npm ci installs it")
    script = tmp_path / "wrong.js"
    script.write_text("/** @param {number} n */ export const f = (n) => n.trim();\n")
    command = [COMPILER, "--checkJs", "--allowJs", "--strict", "--noEmit", "--ignoreConfig", script]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "'trim' does not exist" in done.stdout
