#!/usr/bin/env python3
"""Writes the tree of each report beside this script as pydicom 2.3.1 reads it.

    /usr/bin/python3 tree.py
"""
import pathlib

import pydicom


def code(item, sequence):
    if not item.get(sequence):
        return "-"
    return f"{item[sequence][0].CodeValue}/{item[sequence][0].CodingSchemeDesignator}"


def walk(item, depth, out):
    kind = item.get("ValueType", "")
    value = ""
    if kind == "CODE":
        value = code(item, "ConceptCodeSequence")
    elif kind == "NUM":
        measured = item.MeasuredValueSequence[0]
        value = f"{float(measured.NumericValue):.9f} {code(measured, 'MeasurementUnitsCodeSequence')}"
    elif kind == "TEXT":
        value = item.TextValue.encode("ascii", "ignore").decode()  # the reader leaves character sets as they are
    elif kind == "UIDREF":
        value = item.UID
    elif kind == "SCOORD3D" and item.GraphicType == "POINT":
        value = " ".join(f"{x:.4f}" for x in item.GraphicData)
    elif kind in ("IMAGE", "COMPOSITE"):
        value = item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
    out.append(f"{depth} {item.get('RelationshipType', '')} {kind} {code(item, 'ConceptNameCodeSequence')} {value}".rstrip())
    for child in item.get("ContentSequence", []):
        walk(child, depth + 1, out)


for file in sorted(pathlib.Path(__file__).parent.glob("*.dcm")):
    lines = []
    walk(pydicom.dcmread(file), 0, lines)
    file.with_suffix(".txt").write_text("\n".join(lines) + "\n")
