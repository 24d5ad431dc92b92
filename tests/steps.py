"""The steps of a job as a person takes them in the pages."""

from __future__ import annotations

import csv
import io

from playwright.sync_api import Page, expect

from evenfall.workshop import Source


def rows(stage: str) -> list[dict[str, str]]:
    """Return the readings of one stage of the invented instrument."""
    content = Source.invented(f"tesquil-{stage}.csv").content
    assert content is not None
    text = content.decode()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(io.StringIO("\n".join(lines))))


def by_place(stage: str) -> dict[str, str]:
    return {f"{r['quantity']}:{r['string']}:{r['fret']}": r["value"] for r in rows(stage)}


def open_new(page: Page, serial: str) -> None:
    page.goto("/new")
    page.select_option("#kind", label="another: a specification of my own (TOML)")
    content = Source.invented("tesquil.spec.toml").content
    assert content is not None
    page.set_input_files(
        "#file", {"name": "tesquil.spec.toml", "mimeType": "text/plain", "buffer": content}
    )
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
