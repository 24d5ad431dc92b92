"""The steps of a job as a person takes them in the pages."""

from __future__ import annotations

import csv
import io

from playwright.sync_api import Error, FilePayload, Locator, Page, expect

from evenfall import workshop
from evenfall.workshop import Source
from evenfall.workshop.archive_requests import AddRequest
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.outputs import json_file


def file_at_work(dossiers: Dossiers, serial: str) -> str:
    """File the invented instrument with a plan whose work is still to be done; return its id."""
    read, spec = (Source.invented(n) for n in ("tesquil-before.csv", "tesquil.spec.toml"))
    found = workshop.measure(workshop.MeasureRequest((read,), spec, serial=serial)).measurement
    file = Source("a.measurement.json", json_file(found.as_dict()))
    dossiers.add(AddRequest((file,), serial=serial))
    dossiers.file(workshop.plan(workshop.PlanRequest(file)).plan)
    return dossiers.named(serial)


def rows(stage: str) -> list[dict[str, str]]:
    """Return the readings of one stage of the invented instrument."""
    content = Source.invented(f"tesquil-{stage}.csv").content
    assert content is not None
    text = content.decode()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(io.StringIO("\n".join(lines))))


def by_place(stage: str) -> dict[str, str]:
    return {f"{r['quantity']}:{r['string']}:{r['fret']}": r["value"] for r in rows(stage)}


def specification_file() -> FilePayload:
    """Return the specification of the invented instrument, as a browser takes a file."""
    content = Source.invented("tesquil.spec.toml").read(10**6)
    return {"name": "tesquil.spec.toml", "mimeType": "text/plain", "buffer": content}


def readings_file(stage: str) -> FilePayload:
    """Return the sheet of one stage, as a browser takes a file."""
    content = Source.invented(f"tesquil-{stage}.csv").read(10**6)
    return {"name": f"{stage}.csv", "mimeType": "text/csv", "buffer": content}


def reach(page: Page, target: Locator) -> None:
    """Go on by the tabulator until something has the focus.

    It is looked for again only where the page was exchanged, or this part of it: by its name that
    takes much longer than a step.
    """
    expect(target).to_be_visible()
    sought = target.element_handle()
    for _ in range(400):
        try:
            there, reached = sought.evaluate(
                "one => [one.isConnected, one === document.activeElement]"
            )
        except Error:  # the page was exchanged for its next meanwhile
            page.wait_for_load_state()
            there, reached = False, False
        if reached:
            return
        if not there:
            sought = target.element_handle()
            continue
        page.keyboard.press("Tab")
    raise AssertionError(f"the keyboard does not reach {target}")


def press(page: Page, target: Locator) -> None:
    """Go to something by the keyboard and press Enter."""
    reach(page, target)
    page.keyboard.press("Enter")


def open_new(page: Page, serial: str) -> None:
    """Open the dossier of another invented instrument."""
    page.goto("/new")
    page.select_option("#kind", label="another: a specification of my own (TOML)")
    page.set_input_files("#file", specification_file())
    page.fill("#serial", serial)
    page.get_by_role("button", name="Open its dossier").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(serial)


def upload(page: Page, stage: str, content: bytes | None = None) -> None:
    content = content or Source.invented(f"tesquil-{stage}.csv").content
    assert content is not None
    page.set_input_files(
        "#files", {"name": f"{stage}.csv", "mimeType": "text/csv", "buffer": content}
    )
    page.get_by_role("button", name="Look at it").click()
    page.get_by_role("button", name="File these readings").click()


def file_typed(page: Page, values: dict[str, str], uncertainty: str = "0.004") -> None:
    """File a sheet as its page sends it."""
    place = page.url.split("/measure")[0]
    sheet = {"values": values, "unit": "mm", "uncertainty": uncertainty, "strung": True}
    assert page.request.post(f"{place}/measure/file", data=sheet).ok
    page.goto(place)
