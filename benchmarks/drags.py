"""Key to drawn picture of each slider, in headless Chromium: `python benchmarks/drags.py`.

The server runs as a person starts it, with the invented examples. Said are: key to painted picture
as the page itself takes the time, processor time of the server for each key, bytes of the answer,
and the load of the machine before and after; a busy machine tells little of the wall clock.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics

from playwright.sync_api import Page, sync_playwright
from server import percentile, processor_ms, started

WANTED_MS = {"attack": 60, "action": 60, "relief": 100, "budget": 100}


def drag(page: Page, control: str, count: int, server: int) -> str:
    """Press a key again and again, each time waiting for its picture."""
    page.evaluate("window.drawn.length = 0")
    page.focus(f"#{control}")
    sizes: list[int] = []
    page.on("response", lambda r: sizes.append(len(r.body())) if "/look" in r.url else None)
    before = processor_ms(server)
    for number in range(count):
        turned = number // 20 % 2  # to and fro
        key = ("ArrowRight", "ArrowLeft")[turned]
        page.keyboard.press(key)
        while page.evaluate("window.drawn.length") <= number:
            page.wait_for_timeout(2)
    used = (processor_ms(server) - before) / count
    times = page.evaluate("window.drawn")
    page.wait_for_timeout(3000)  # what waits for the hand to rest
    return (
        f"{control:8} key to picture p50 {statistics.median(times):4.0f} p95 "
        f"{percentile(times, 0.95):4.0f} ms (wanted {WANTED_MS[control]}); server {used:4.0f} ms a "
        f"key; answer {max(sizes) / 1000:.0f} kB"
    )


def main() -> None:
    """Measure every slider and print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60, help="keys on each slider")
    count = parser.parse_args().count
    with started() as (server, place), sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=["--no-sandbox", "--disable-gpu"],
        )
        page = browser.new_page(base_url=place, viewport={"width": 1280, "height": 900})
        page.goto("/instruments")
        links = page.locator(".list a").all()
        for link in [link.get_attribute("href") for link in links]:
            page.goto(f"{link}/plan")
            if page.locator("#attack").count():
                break
        page.wait_for_timeout(4000)
        print(f"load before {os.getloadavg()[0]:.1f}")
        for control in WANTED_MS:
            print(drag(page, control, count, server), flush=True)
        print(f"load after {os.getloadavg()[0]:.1f}")
        browser.close()


if __name__ == "__main__":
    main()
