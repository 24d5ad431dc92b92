"""How the pages name what the other doors name by option, command or argument."""

from __future__ import annotations

from collections.abc import Mapping

WORDS: Mapping[str, str] = {
    "door_measure": "the page Measure",
    "door_plan": "the plan",
    "door_prove": "the proof",
    "door_convert": "the command evenfall neck",
    "door_spec": "the specification",
    "door_scan_uncertainty": "the scanner's uncertainty",
    "door_scan_unit": "the unit of the scan",
    "door_scan_steps": "the step of the height map",
    "door_accept": "a reason beside it",
    "door_attack": "the attack",
    "door_budget": "the metal that may come off",
    "door_keep": "what stays as it is",
    "door_machine": "the machine",
    "door_method": "Method",
    "door_serial": "the serial number",
    "door_confirmed_by": "a second reading",
    "door_settled": "rod and saddle as set",
    "door_state": "strings at pitch",
    "door_fixture": "the fixture",
    "door_touch": "the place of a crown touched",
    "door_found": "the readings as found",
    "door_quantity": "the quantity",
    "door_names": "the field Numbers that are names",
    "door_accept_stiffness": "accepting the stiffness",
    "door_archive_add": "open the right instrument first, or a new one",
    "door_archive_doctor": "evenfall archive doctor",
    "door_archive_save": "evenfall archive doctor --save-to FOLDER",
    "door_archive_verify": "evenfall archive verify",
}
"""The pages' words for the places of `evenfall.wording` that only a door can name."""

FAULT = "This is a fault of the program, and nothing was filed; its log says more."
"""What a page, and work beside the pages, say of an error that nobody foresaw."""
