"""Gauges at the bench: one that types, one on a serial port, a footswitch, and the page of targets.

The gauge on the port is simulated: the browser is given a port whose lines the test sends.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from evenfall import workshop
from served import serving
from steps import file_at_work, open_new

GAUGE = """
window.gauge = { opened: [], lines: [], port: null };
window.gauge.port = {
  async open(how) {
    window.gauge.opened.push(how);
    this.readable = new ReadableStream({ start(to) {
      window.gauge.send = (text) => to.enqueue(new TextEncoder().encode(text));
      window.gauge.pull = () => to.error(new Error("gone"));
    } });
  },
  async close() {},
};
Object.defineProperty(navigator, "serial", { configurable: true, value: {
  requestPort: async () => window.gauge.port,
  getPorts: async () => [window.gauge.port],
} });
"""


@pytest.fixture
def gauge(page: Page) -> Page:
    page.add_init_script(GAUGE)
    return page


def sheet(page: Page, serial: str) -> None:
    open_new(page, serial)
    page.get_by_role("link", name="Measure").first.click()
    expect(page.locator("typed-sheet [data-key='saddle:6:']")).to_be_visible()


def connect(page: Page, *, when: str = "each") -> None:
    page.get_by_text("A gauge that sends its readings").click()
    page.get_by_label("A reading is taken").select_option(when)
    page.get_by_role("button", name="Connect a gauge").click()
    expect(page.locator("bench-gauge [data-said]")).to_have_text(
        "Connected. Waiting for a reading."
    )


def value(page: Page, key: str) -> str:
    return str(page.locator(f"[data-key='{key}']").input_value())


@pytest.mark.slow
def test_a_gauge_that_types_ends_each_figure_and_goes_on(page: Page) -> None:
    sheet(page, "WG-0001 (invented)")
    page.focus("[data-key='crown_top:1:1']")
    for figures, end in (
        ("21,512 mm", "Enter"),
        ("+21.530", "Tab"),
        ("0.8480in", "Enter"),
        ("21.4", "Enter"),
    ):
        page.keyboard.insert_text(figures)
        page.keyboard.press(end)
    assert value(page, "crown_top:1:1") == "21.512"
    assert value(page, "crown_top:1:2") == "+21.530"
    # inches keep their last digit: 0.8480 in is 21.5392 mm
    assert value(page, "crown_top:1:3") == "21.5392"
    expect(page.locator("[data-key='crown_top:1:5']")).to_be_focused()
    # with the cursor in no field it goes on where the last one was
    page.evaluate("document.activeElement.blur()")
    page.keyboard.type("21.6")
    page.keyboard.press("Enter")
    assert value(page, "crown_top:1:5") == "21.6"


@pytest.mark.slow
def test_a_gauge_on_the_port_fills_the_sheet(gauge: Page) -> None:
    sheet(gauge, "WG-0002 (invented)")
    connect(gauge)
    assert gauge.evaluate("window.gauge.opened") == [
        {"baudRate": 9600, "dataBits": 8, "parity": "none", "stopBits": 1}
    ]
    gauge.focus("[data-key='nut_slot:1:']")
    # a line may come in pieces, and end in any way
    for piece in ("20.4", "01\r", "\n20,502 mm\n", "0.8072 in\r\n"):
        gauge.evaluate("piece => window.gauge.send(piece)", piece)
    expect(gauge.locator("[data-key='crown_top:1:2']")).to_have_value("20.5029")
    assert value(gauge, "nut_slot:1:") == "20.401"
    assert value(gauge, "crown_top:1:1") == "20.502"
    expect(gauge.locator("[data-key='crown_top:1:3']")).to_be_focused()
    expect(gauge.locator("bench-gauge")).to_contain_text("Last digit 0.0001 in")
    # what is no reading is named, and fills nothing
    gauge.evaluate("window.gauge.send('ERR 4\\r\\n')")
    expect(gauge.locator("bench-gauge [data-said]")).to_contain_text("which is not a reading")
    assert value(gauge, "crown_top:1:3") == ""
    gauge.evaluate("window.gauge.pull()")
    expect(gauge.locator("bench-gauge [data-said]")).to_contain_text("was lost")
    gauge.reload()
    expect(gauge.locator("[data-key='nut_slot:1:']")).to_have_value("20.401")
    # a gauge that was connected on one page goes on by itself on the next
    gauge.wait_for_function("window.gauge.opened.length === 1")


@pytest.mark.slow
def test_a_footswitch_takes_the_reading(gauge: Page) -> None:
    sheet(gauge, "WG-0003 (invented)")
    connect(gauge, when="key")
    gauge.get_by_role("button", name="Set the key or footswitch").click()
    gauge.keyboard.press("5")
    expect(gauge.locator("bench-gauge [data-said]")).to_contain_text("needed for typing")
    gauge.get_by_role("button", name="Set the key or footswitch").click()
    gauge.keyboard.press("F8")
    expect(gauge.get_by_role("button", name="Key: F8. Set another")).to_be_visible()
    gauge.focus("[data-key='crown_top:2:7']")
    gauge.keyboard.press("F8")
    expect(gauge.locator("bench-gauge [data-said]")).to_contain_text("no reading was taken")
    gauge.evaluate("window.gauge.send('1.10\\n1.23\\n')")
    expect(gauge.locator("bench-gauge [data-last]")).to_have_text("1.23 mm")
    assert value(gauge, "crown_top:2:7") == ""
    gauge.keyboard.press("F8")
    expect(gauge.locator("[data-key='crown_top:2:7']")).to_have_value("1.23")
    expect(gauge.locator("[data-key='crown_top:2:8']")).to_be_focused()


@pytest.mark.slow
def test_without_a_serial_port_the_page_says_what_works(page: Page) -> None:
    page.add_init_script("delete Navigator.prototype.serial")
    sheet(page, "WG-0004 (invented)")
    page.get_by_text("A gauge that sends its readings").click()
    expect(page.get_by_text("no serial port for pages")).to_be_visible()
    expect(page.get_by_role("button", name="Connect a gauge")).to_be_hidden()


@pytest.fixture(scope="module")
def examples(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    folder = tmp_path_factory.mktemp("targets")
    with workshop.archive(str(folder), make=True) as dossiers:
        name = file_at_work(dossiers, "WG-0005 (invented)")
    with serving(folder) as place:
        yield place, name


@pytest.mark.slow
def test_a_reading_is_brought_to_its_target(browser: Browser, examples: tuple[str, str]) -> None:
    context = browser.new_context(base_url=examples[0], viewport={"width": 820, "height": 1100})
    page = context.new_page()
    page.add_init_script(GAUGE)
    page.goto(f"/instruments/{examples[1]}/work")
    page.get_by_role("link", name="To target, in large figures").click()
    expect(page.locator("#told")).to_contain_text("Target")
    told = page.locator("#told").inner_text()
    target, low, high = (
        float(v) for v in re.findall(r"Target ([\d.]+) .*from ([\d.]+) to ([\d.]+);", told)[0]
    )
    assert low <= target <= high
    read, far, way = page.locator("#read"), page.locator("#far"), page.locator("#way")
    expect(way).to_have_text("No reading yet")
    for figures, shown, said in (
        (f"{target + 0.5:.2f}", "0.50", "mm ▼ too much, outside limits"),
        (f"{target - 0.5:.2f}".replace(".", ","), "0.50", "mm ▲ too little, outside limits"),
        (f"{target:.3f} mm", "0.00", "○ Stop: it is there"),
        ("abc", "?", "That is not a reading"),
    ):
        read.fill(figures)
        read.press("Enter")
        expect(way).to_have_text(said)
        expect(far).to_have_text(shown)
    # readable from two metres: figures of 96 px and more are over 25 mm high
    assert far.evaluate("one => parseFloat(getComputedStyle(one).fontSize)") >= 96
    connect(page)
    page.evaluate("text => window.gauge.send(text)", f"{target + 0.5:.3f}\n")
    expect(way).to_have_text("mm ▼ too much, outside limits")
    todo = page.locator("#todo").inner_text()
    assert re.search("Tighten|Lower|file the floor", todo)
    before = page.locator("#which").input_value()
    page.get_by_role("button", name="Next").click()
    expect(way).to_have_text("No reading yet")
    if page.locator("#which option").count() > 1:
        assert page.locator("#which").input_value() != before
    # what was set is not set again by the same plan
    page.goto(f"/instruments/{examples[1]}/work")
    page.get_by_role("button", name="Done, read again").click()
    page.goto(f"/instruments/{examples[1]}/target")
    expect(page.locator("#far")).to_have_count(0)
    context.close()
