"""Proofs as measurement results of the Quality Information Framework, QIF 3.0 (ISO 23952:2020).

One document holds any number of instruments. Each quantity that was judged, with its limits, is a
characteristic that instruments share; each value is a measurement of it, with its combined standard
uncertainty. What the standard has no place for (expanded uncertainty, probability, how the value
was come by) stands in named attributes, which it allows anywhere.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import count
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from evenfall.proof import Proof
from evenfall.proof.result import Item
from evenfall.wording import plain_line, say

NAMESPACE = "http://qifstandards.org/xsd/qif3"
VERSION = "3.0.0"

_STATUS = {"conforms": "PASS", "does not conform": "FAIL", "undecided": "INDETERMINATE"}
_INSPECTION = {"conforms": "PASS", "does not conform": "FAIL", "undecided": "UNKNOWN"}


@dataclass(frozen=True, slots=True)
class Judged:
    """A proof of one instrument, and when it was judged."""

    proof: Proof
    at: str  # ISO 8601; may be empty
    serial: str


def qif_document(judged: Sequence[Judged], software: str) -> bytes:
    """Return proofs as one QIF document (XML); the same proofs give the same bytes."""
    numbers = map(str, count(1))  # of the objects of the document
    hashes = " ".join(one.proof.content_hash for one in judged)
    root = Element("QIFDocument", {"xmlns": NAMESPACE, "versionQIF": VERSION})
    _text(root, "QPId", str(uuid.uuid5(uuid.NAMESPACE_URL, f"{NAMESPACE} {hashes}")))
    _text(SubElement(SubElement(root, "Header"), "Application"), "Name", software)
    rule = SubElement(SubElement(root, "StandardsDefinitions", n="1"), "Standard", id=next(numbers))
    _text(SubElement(rule, "Organization"), "StandardsOrganizationEnum", "ISO")
    _text(rule, "Designator", "ISO/IEC Guide 98-4")  # JCGM 106, by which the verdicts are made
    _text(rule, "Year", "2012")
    unit = SubElement(SubElement(SubElement(root, "FileUnits"), "PrimaryUnits"), "LinearUnit")
    _text(unit, "SIUnitName", "meter")
    _text(unit, "UnitName", "mm")
    _text(SubElement(unit, "UnitConversion"), "Factor", "0.001")
    whole = SubElement(root, "Characteristics")
    _text(whole, "FormalStandardId", rule.get("id", ""))
    items = _characteristics(whole, [item for one in judged for item in one.proof.items], numbers)
    results = SubElement(root, "Results")
    listed = SubElement(results, "MeasurementResultsSet", n=str(len(judged)))
    components = SubElement(SubElement(results, "ActualComponentSets", n="1"), "ActualComponentSet")
    components.set("n", str(len(judged)))
    for one in judged:
        component = next(numbers)
        _result(listed, one, items, component, numbers)
        made = SubElement(components, "ActualComponent", id=component)
        _attributes(made, model=one.proof.model)
        _text(made, "SerialNumber", one.serial)
        _text(SubElement(made, "Status"), "InspectionStatusEnum", _INSPECTION[one.proof.verdict])
    root.set("idMax", str(int(next(numbers)) - 1))
    indent(root)
    written: bytes = tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"


def _characteristics(
    whole: Element, items: Iterable[Item], numbers: Iterator[str]
) -> dict[tuple[str, float, float], str]:
    """Write what is judged, each once; return the number of each by name and limits."""
    told = dict.fromkeys(map(_kind, items))
    definitions = SubElement(whole, "CharacteristicDefinitions", n=str(len(told)))
    nominals = SubElement(whole, "CharacteristicNominals", n=str(len(told)))
    listed = SubElement(whole, "CharacteristicItems", n=str(len(told)))
    made = {}
    for name, lower, upper in told:
        definition = _object(definitions, "Definition", numbers)
        if math.isfinite(lower) or math.isfinite(upper):
            tolerance = SubElement(definition, "Tolerance")
            if math.isfinite(upper):
                _text(tolerance, "MaxValue", _decimal(upper))
            if math.isfinite(lower):
                _text(tolerance, "MinValue", _decimal(lower))
            _text(tolerance, "DefinedAsLimit", "true")
        else:
            _text(definition, "NonTolerance", "SET")
        _text(definition, "WhatToMeasure", name)
        nominal = _object(nominals, "Nominal", numbers)
        _text(nominal, "CharacteristicDefinitionId", definition.get("id", ""))
        item = _object(listed, "Item", numbers)
        _text(item, "Name", name)
        _text(item, "CharacteristicNominalId", nominal.get("id", ""))
        made[name, lower, upper] = item.get("id", "")
    return made


def _result(
    listed: Element,
    one: Judged,
    items: dict[tuple[str, float, float], str],
    component: str,
    numbers: Iterator[str],
) -> None:
    proof = one.proof
    result = SubElement(listed, "MeasurementResults", id=next(numbers))
    _attributes(
        result,
        content_hash=proof.content_hash,
        specification_hash=proof.specification_hash,
        decision_rule=proof.rule,
        coverage_factor=_decimal(proof.coverage_factor),
    )
    trace = SubElement(result, "InspectionTraceability")
    _text(trace, "ReportNumber", proof.content_hash[:10].upper())
    if one.at:
        at = datetime.fromisoformat(one.at)
        _text(trace, "ReportPreparationDate", at.isoformat().replace("+00:00", "Z"))
    measured = SubElement(result, "MeasuredCharacteristics")
    measured = SubElement(measured, "CharacteristicMeasurements", n=str(len(proof.items)))
    for item in proof.items:
        made = _object(measured, "Measurement", numbers)
        read = math.isfinite(item.value)
        figures = {
            "expanded_uncertainty_mm": item.expanded_uncertainty,
            "probability_of_conformity": item.probability,
        }
        known = {name: _decimal(value) for name, value in figures.items() if math.isfinite(value)}
        _attributes(made, basis=item.basis, **known)
        _text(SubElement(made, "Status"), "CharacteristicStatusEnum", _STATUS[item.verdict])
        _text(made, "CharacteristicItemId", items[_kind(item)])
        _text(made, "ActualComponentId", component)
        if read:
            value = _text(made, "Value", _decimal(item.value))
            if math.isfinite(item.standard_uncertainty):  # the standard wants both or neither
                value.set("combinedUncertainty", _decimal(item.standard_uncertainty))
                value.set("meanError", "0")
    _text(
        SubElement(result, "InspectionStatus"), "InspectionStatusEnum", _INSPECTION[proof.verdict]
    )
    ids = SubElement(result, "ActualComponentIds", n="1")
    _text(ids, "Id", component)


def _kind(item: Item) -> tuple[str, float, float]:
    return plain_line(say(item.name)), item.lower, item.upper


def _object(parent: Element, part: str, numbers: Iterator[str]) -> Element:
    return SubElement(parent, f"UserDefinedLinearCharacteristic{part}", id=next(numbers))


def _attributes(parent: Element, **values: str) -> None:
    listed = SubElement(parent, "Attributes", n=str(len(values)))
    for name, value in values.items():
        SubElement(listed, "AttributeStr", name=name, value=plain_line(value))


def _text(parent: Element, name: str, text: str) -> Element:
    made = SubElement(parent, name)
    made.text = plain_line(text)
    return made


def _decimal(value: float) -> str:
    """Return a number as the standard's decimals are written: without an exponent."""
    return f"{value:.9f}".rstrip("0").rstrip(".")
