"""What belongs to a bench: its settings, the labels of instruments, the camera that reads them."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator
from itertools import chain
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from evenfall import workshop
from evenfall.pages.drawings import square_code
from evenfall.workshop.examples import SERIALS
from served import serving

PAPER = "rgb(255, 255, 255)"
DARK_PAPER = "rgb(30, 27, 29)"
CAMERA = """
window.BarcodeDetector = class {
  async detect() { return window.held ? [{ rawValue: window.held }] : []; }
};
navigator.mediaDevices.getUserMedia = async () => {
  const seen = document.createElement("canvas");
  seen.width = seen.height = 8;
  setInterval(() => seen.getContext("2d").fillRect(0, 0, 8, 8), 20);
  window.stream = seen.captureStream(30);
  return window.stream;
};
"""


@pytest.fixture(scope="module")
def examples(
    tmp_path_factory: pytest.TempPathFactory, with_examples: Callable[[Path], Path]
) -> Iterator[tuple[str, list[str]]]:
    folder = with_examples(tmp_path_factory.mktemp("bench"))
    with workshop.archive(str(folder)) as dossiers:
        names = [dossiers.named(serial) for serial in SERIALS]
    with serving(folder) as place:
        yield place, names


@pytest.fixture
def bench(browser: Browser, examples: tuple[str, list[str]]) -> Iterator[Page]:
    context = browser.new_context(base_url=examples[0], viewport={"width": 1280, "height": 900})
    context.set_default_timeout(10_000)
    yield context.new_page()
    context.close()


def paper(page: Page) -> str:
    found = page.locator(".sheet").first.evaluate("one => getComputedStyle(one).backgroundColor")
    return str(found)


@pytest.mark.slow
def test_every_setting_has_its_effect_and_goes_back(
    bench: Page, examples: tuple[str, list[str]]
) -> None:
    plan = f"/instruments/{examples[1][1]}/plan"
    bench.goto(plan)
    before = bench.locator(".sheet.next").bounding_box()
    assert bench.locator("#chosen-by").input_value() == ""
    bench.goto("/settings")
    assert paper(bench) == PAPER
    bench.get_by_label("Name of the person who works here").fill("Žq. Ulbrenq")
    bench.get_by_label("Colours").select_option("dark")
    bench.get_by_label("Room between lines").select_option("close")
    bench.get_by_label("Lengths", exact=True).select_option("in")
    bench.get_by_label("Nut of the drawn neck").select_option("left")
    bench.get_by_role("button", name="Keep").click()
    bench.wait_for_url("**/settings?kept=1")
    assert paper(bench) == DARK_PAPER
    assert bench.get_by_label("Colours").input_value() == "dark"
    bench.goto(plan)
    assert bench.locator("#chosen-by").input_value() == "Žq. Ulbrenq"
    after = bench.locator(".sheet.next").bounding_box()
    assert before is not None
    assert after is not None
    assert after["height"] < before["height"]
    assert "in" in bench.locator("form.choose").inner_text().split()
    assert "nut right" in bench.locator("form.choose").inner_text()
    bench.emulate_media(media="print")
    assert bench.evaluate("getComputedStyle(document.documentElement).colorScheme") == "light"
    assert paper(bench) == PAPER
    bench.emulate_media(media="screen")
    bench.goto("/settings")
    for label in ("Colours", "Room between lines", "Lengths", "Nut of the drawn neck"):
        bench.get_by_label(label, exact=True).select_option("")
    bench.get_by_label("Name of the person who works here").fill("")
    bench.get_by_role("button", name="Keep").click()
    bench.wait_for_url("**/settings?kept=1")
    assert paper(bench) == PAPER
    assert bench.context.cookies() == []


@pytest.mark.slow
def test_what_is_filed_carries_the_name_of_the_bench(
    bench: Page, examples: tuple[str, list[str]]
) -> None:
    bench.goto("/settings")
    bench.get_by_label("Name of the person who works here").fill("M. Tessquin")
    bench.get_by_role("button", name="Keep").click()
    bench.goto("/new")
    bench.get_by_label("Kind of instrument").select_option("ukulele")
    bench.get_by_label("Serial number").fill("UY-0999 (invented)")
    bench.get_by_role("button", name="Open its dossier").click()
    bench.get_by_role("link", name="Print its label").click()
    bench.wait_for_url("**/label")
    assert bench.locator(".label b").inner_text() == "UY-0999 (invented)"
    bench.get_by_role("link", name="To the instrument").click()
    assert "M. Tessquin" in bench.locator(".table").inner_text()


@pytest.mark.slow
def test_the_sheet_to_type_into_stands_upright_on_one_page_of_paper(
    bench: Page, examples: tuple[str, list[str]], tmp_path: Path
) -> None:
    bench.goto(f"/instruments/{examples[1][0]}/measure")
    grid = bench.locator(".map.typing")
    along = re.compile("^map typing$")
    expect(grid).to_have_class(along)
    for event, stands in (("beforeprint", re.compile("upright")), ("afterprint", along)):
        bench.evaluate("event => dispatchEvent(new Event(event))", event)
        expect(grid).to_have_class(stands)
    bench.pdf(path=tmp_path / "sheet.pdf", format="A4")
    command = ["pdftotext", "-layout", tmp_path / "sheet.pdf", "-"]
    told = subprocess.run(command, capture_output=True, text=True, check=True)
    frets = " ".join(bench.locator(".map.typing .head-column").all_inner_texts())
    lines = [[line.split()[:1] for line in page.splitlines()] for page in told.stdout.split("\f")]
    assert any(frets in " ".join(chain(*page)) for page in lines), told.stdout


@pytest.mark.slow
def test_a_label_is_60_by_30_mm_and_says_the_address_of_its_page(
    bench: Page, examples: tuple[str, list[str]], tmp_path: Path
) -> None:
    place, names = examples
    bench.emulate_media(color_scheme="dark")
    bench.goto(f"/instruments/{names[0]}/label")
    drawn = bench.locator(".label-code path").get_attribute("d")
    assert drawn is not None
    assert drawn in square_code(f"{place}/instruments/{names[0]}")
    bench.pdf(path=tmp_path / "label.pdf", prefer_css_page_size=True)
    told = subprocess.run(
        ["pdfinfo", tmp_path / "label.pdf"], capture_output=True, text=True, check=True
    )
    assert re.search(r"Pages: +1\n", told.stdout)
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+) pts", told.stdout)
    assert size is not None
    for points, mm in zip(size.groups(), (60.0, 30.0), strict=True):
        assert abs(float(points) / 72.0 * 25.4 - mm) < 0.2  # a printer's dot


@pytest.mark.slow
@pytest.mark.parametrize(
    ("held", "leads"),
    [
        ("http://127.0.0.1:1/instruments/{0}", "/instruments/{0}"),
        ("evenfall:plan:0123456789", "/instruments?words=0123456789"),
        ("evenfall:dossier:{short}", "/instruments/{short}"),
        ("UY-0416", "/instruments?words=UY-0416"),
        ("https://elsewhere.example/x", "/instruments?words=https%3A%2F%2Felsewhere.example%2Fx"),
    ],
)
def test_the_camera_opens_what_is_held_before_it(
    bench: Page, examples: tuple[str, list[str]], held: str, leads: str
) -> None:
    """The browser's own reading of codes is stood in for: not every browser has it."""
    place, names = examples
    short = names[0][:10]
    bench.add_init_script(CAMERA)
    bench.goto("/instruments")
    bench.get_by_role("button", name="Read a label").click()
    expect(bench.locator("#seen")).to_have_js_property("readyState", 4)
    bench.evaluate("text => { window.held = text; }", held.format(*names, short=short.upper()))
    bench.wait_for_url(place + leads.format(*names, short=short))


@pytest.mark.slow
def test_the_camera_is_let_go_of_and_offered_only_where_codes_are_read(bench: Page) -> None:
    bench.goto("/instruments")
    assert bench.evaluate("'BarcodeDetector' in window") == (
        bench.get_by_role("button", name="Read a label").is_visible()
    )
    bench.add_init_script(CAMERA)
    bench.reload()
    bench.get_by_role("button", name="Read a label").click()
    expect(bench.locator("#seen")).to_have_js_property("readyState", 4)
    bench.keyboard.press("Escape")
    expect(bench.locator("#seen")).to_have_js_property("srcObject", None)
    assert bench.evaluate("window.stream.getTracks().map(one => one.readyState)") == ["ended"]
    refused = "navigator.mediaDevices.getUserMedia = async () => { throw new Error('no'); };"
    bench.evaluate(f"() => {{ {refused} }}")
    bench.get_by_role("button", name="Read a label").click()
    bench.get_by_text("The camera cannot be used").wait_for()
