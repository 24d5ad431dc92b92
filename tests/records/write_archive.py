"""Write the stored archive of today's schema, once: `python tests/records/write_archive.py`.

A stored archive is never written again after a version with its schema was released.
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from sqlalchemy import select

from evenfall.records import Filing, audit, open_archive
from evenfall.records.accounts import Accounts
from evenfall.records.schema import TODAY
from evenfall.records.shared_lots import SharedLots
from evenfall.records.signing import signing_key
from evenfall.records.tables import FIGURE, FILED, LABEL, LET_IN

HERE = Path(__file__).resolve().parent


def write() -> None:
    """Fill an archive with a little of everything, and write its rows down."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["EVENFALL_SETTINGS"] = folder
        with open_archive(str(Path(folder) / "a"), make=True) as archive:
            for name, serial in (("Tesquil", "UY-0417"), ("Quenlo", "UY-0418")):
                filings = [
                    Filing("opened", {"subject": "instrument", "name": name, "maker": "Ulbrenq"}),
                    Filing("alias", {"sort": "serial", "value": serial}),
                    Filing("specification", {"title": name}, documents={"spec.toml": "[model]"}),
                    Filing(
                        "plan",
                        {
                            "content_hash": "ab" * 32,
                            "schema": "evenfall/plan@1",
                            "specification": "cd" * 32,
                            "status": "ready",
                            "lowest_crown_mm": 1.02,
                        },
                        documents={"plan.json": {"accepted": [{"person": "M. Tessquin"}]}},
                    ),
                    Filing(
                        "accepted",
                        {"document": "ab" * 32, "code": "coarse", "place": "7:3", "reason": "burr"},
                        person="M. Tessquin",
                    ),
                    Filing(
                        "step",
                        {
                            "work": "Levelled.",
                            "station": "2",
                            "cutter": "file 3",
                            "cutter_uses": 14,
                        },
                        person="Q. Ulbrenq",
                    ),
                    Filing("note", {"words": "Nut worn.", "done": "2025-11-30"}),
                ]
                dossier = archive.file(None, filings)[0].dossier
                corrected = Filing(
                    "alias",
                    {"sort": "serial", "value": serial},
                    corrects=archive.entries(dossier)[1].hash,
                )
                archive.file(dossier, [corrected])
            gauge = Filing("opened", {"subject": "gauge", "name": "dial 3"})
            dates = {"date": "2026-01-05", "valid_until": "2027-01-05", "result": "within limits"}
            reading = {"standard": "5 mm block", "reference_mm": 5.0, "read_mm": 5.001}
            archive.file(None, [gauge, Filing("calibration", dates), Filing("check", reading)])
            batch = Filing("opened", {"subject": "wire batch", "name": "W-12"})
            came = {"words": "Two coils.", "amount": "4 m", "crown_height_mm": 1.2}
            wire = archive.file(None, [batch, Filing("received", came)])[0].dossier
            fitted = {"part": wire, "name": "W-12", "words": "frets 1 to 20"}
            archive.file(dossier, [Filing("fitted", fitted)])
            model = Filing("opened", {"subject": "model", "name": "Tesquil"})
            revision = {"title": "Tesquil", "content_hash": "cd" * 32}
            kept = Filing("specification", revision, documents={"spec.toml": "[model]"})
            archive.file(None, [model, kept])
            chart = Filing("opened", {"subject": "chart", "name": "relief of a proof"})
            act = {"point": "UY-0417", "at": "2026-01-05T08:00:00.000000Z", "reason": "settled"}
            frozen = {"act": "frozen", "centre_level": 0.18, "sigma_level": 0.02, "points": 25}
            archive.file(None, [chart, Filing("on chart", {**act, **frozen})])
            lots = Filing("opened", {"subject": "lots", "name": "Tesquil from Tessque Row"})
            terms = {"supplier": "Tessque Row", "model": "Tesquil", "receiver": "", "level": "II"}
            terms |= {"method": "single", "aql_percent": 1.0, "quantity": "", "lower_mm": None}
            terms |= {"upper_mm": None, "sigma_mm": None, "one_in": 1, "reason": ""}
            lot = {"name": "L-1", "pieces": 40, "found": [0], "measured_mm": [], "instruments": []}
            lot |= {"state": "normal", "decision": "accepted", "reason": ""}
            judged = [lots, Filing("lots agreed", terms), Filing("lot", lot)]
            entry = archive.file(None, judged)[-1]
            said = {"lot": entry.hash, "party": "Quandlemere", "answer": "accepted", "reason": ""}
            archive.file(entry.dossier, [Filing("lot answered", said)])
            archive.sign(dossier, signing_key())
            accounts = Accounts(archive)
            owner = accounts.join(
                accounts.invite("", "manager"), "four words of a test", "Q. Ulbrenq"
            )
            accounts.new_token(owner.id, "export", ["look"], 30)
            SharedLots(archive).share("lot 7", "Quandlemere", [dossier])
            audit.note(archive, "joined", about="manager", account=owner.id, address="127.0.0.1")
            audit.note(archive, "token made", account=owner.id, address="127.0.0.1")
            with archive.reading() as connection:
                tables = {
                    table.name: [dict(r._mapping) for r in connection.execute(select(table))]
                    for table in (*FILED, *LET_IN, LABEL, FIGURE)
                }
    stored = {"schema": TODAY, "tables": tables}
    path = HERE / "archives" / f"schema-{TODAY}.json"
    path.write_text(json.dumps(stored, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write()
