"""Proofs as QIF 3.0 results (ISO 23952:2020), checked by the standard's schemas and by counting.

The schemas are those that the standard's publisher keeps openly (QIF 3.0, licence of Boost); they
lie among the open data. They refer to the schema of signatures in XML at an address on the network;
our documents carry no such signature, and one line stands in for it. A schema does not check the
counts `n`, so these are counted here.
"""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import pytest

import evenfall as ef
from evenfall.records.qif import NAMESPACE, Judged, qif_document
from open_data import open_data

PROOF = Path(__file__).parent / "files" / "tesquil.proof@1.json"
AT = "2026-03-31T14:05:00Z"
SIGNATURES = """<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema"
  targetNamespace="http://www.w3.org/2000/09/xmldsig#"><xs:complexType name="SignatureType"/>
</xs:schema>"""


def proof() -> ef.Proof:
    return ef.Proof.from_dict(json.loads(PROOF.read_text(encoding="utf-8")))


def document(*proofs: ef.Proof) -> bytes:
    return qif_document([Judged(p, AT, f"UY-{n}") for n, p in enumerate(proofs)], "evenfall")


@pytest.fixture(scope="module")
def schema() -> Any:
    from lxml import etree

    class Offline(etree.Resolver):
        def resolve(self, url: str, _public: object, context: Any) -> Any:
            return self.resolve_string(SIGNATURES, context) if "xmldsig" in url else None

    parser = etree.XMLParser()
    parser.resolvers.add(Offline())
    path = open_data("quality", "qif_schema", "QIFApplications", "QIFDocument.xsd")
    return etree.XMLSchema(etree.parse(path, parser))


def tree(content: bytes) -> Any:
    from lxml import etree

    return etree.fromstring(content)


def q(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"


def changed() -> ef.Proof:
    """Return a proof that was not read whole, does not conform, and has limits on one side."""
    made = proof()
    first, second, *rest = made.items
    nothing = dataclasses.replace(first, value=math.nan, standard_uncertainty=math.nan)
    undecided = dataclasses.replace(nothing, verdict="undecided")
    fails = dataclasses.replace(second, verdict="does not conform", value=9.0)
    return dataclasses.replace(made, items=(undecided, fails, *rest), verdict="does not conform")


@pytest.mark.slow
def test_it_holds_to_the_schemas_of_the_standard(schema: Any) -> None:
    for made in (document(proof()), document(proof(), changed(), proof())):
        assert schema.validate(tree(made)), schema.error_log


@pytest.mark.slow
@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"<CharacteristicStatusEnum>PASS<", b"<CharacteristicStatusEnum>GOOD<"),
        (b"<MaxValue>1.65<", b"<MaxValue>wide<"),
        (b'versionQIF="3.0.0"', b""),
    ],
)
def test_the_schemas_would_find_a_fault(schema: Any, before: bytes, after: bytes) -> None:
    made = document(proof())
    assert before in made
    assert not schema.validate(tree(made.replace(before, after, 1)))


def test_every_count_number_and_reference_holds() -> None:
    root = tree(document(proof(), changed()))
    counted = 0
    for element in root.iter():
        if n := element.get("n"):
            counted += 1
            assert int(n) == len(element), element.tag
    assert counted >= 9
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert int(root.get("idMax")) == max(map(int, ids))
    wanted = [e.text for e in root.iter() if e.tag.endswith("Id") and not e.tag.endswith("QPId")]
    assert set(wanted) <= set(ids)


def test_it_says_what_the_proof_says() -> None:
    made = proof()
    root = tree(document(made))
    by_id = {element.get("id"): element for element in root.iter() if element.get("id")}
    measured = root.findall(f".//{q('UserDefinedLinearCharacteristicMeasurement')}")
    assert len(measured) == len(made.items)
    for item, element in zip(made.items, measured, strict=True):
        value = element.find(q("Value"))
        assert float(value.text) == pytest.approx(item.value, abs=1e-9)
        u = float(value.get("combinedUncertainty"))
        assert u == pytest.approx(item.standard_uncertainty, abs=1e-9)
        listed = by_id[element.findtext(q("CharacteristicItemId"))]
        nominal = by_id[listed.findtext(q("CharacteristicNominalId"))]
        definition = by_id[nominal.findtext(q("CharacteristicDefinitionId"))]
        assert definition.findtext(q("WhatToMeasure")) == str(item.name)
        limits = {"MinValue": item.lower, "MaxValue": item.upper}
        for name, limit in limits.items():
            told = definition.findtext(f"{q('Tolerance')}/{q(name)}")
            assert (told is not None) == math.isfinite(limit)
            if told is not None:
                assert float(told) == pytest.approx(limit, abs=1e-9)
    assert root.findtext(f".//{q('SerialNumber')}") == "UY-0"
    assert document(made) == document(made)


def test_what_was_not_read_has_no_value_and_an_outside_value_fails() -> None:
    root = tree(document(changed()))
    first, second, *_ = root.findall(f".//{q('UserDefinedLinearCharacteristicMeasurement')}")
    assert first.find(q("Value")) is None
    assert first.findtext(f"{q('Status')}/*") == "INDETERMINATE"
    assert second.findtext(f"{q('Status')}/*") == "FAIL"
    assert root.findtext(f".//{q('InspectionStatus')}/*") == "FAIL"
