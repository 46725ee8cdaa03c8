#!/usr/bin/env python3
"""Reads the three objects beside this script with pydicom and prints what they say, one
figure a line, as readback.txt has it.

    /usr/bin/python3 readback.py FOLDER > readback.txt

pydicom 2.3.1 of Debian 12 wrote the frozen one.
"""
import pathlib
import struct
import sys

import pydicom

folder = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else pathlib.Path(__file__).parent)


def name(item, sequence="ConceptNameCodeSequence"):
    code = item[sequence][0]
    return f"{code.get('CodeValue') or code.get('LongCodeValue')}/{code.CodingSchemeDesignator}"


def walk(item, path):
    here = path + [name(item)] if "ConceptNameCodeSequence" in item else path
    value = ""
    if item.ValueType == "CODE":
        value = name(item, "ConceptCodeSequence")
    elif item.ValueType == "NUM":
        measured = item.MeasuredValueSequence[0]
        value = f"{float(measured.NumericValue):.9g} {measured.MeasurementUnitsCodeSequence[0].CodeValue}"
    elif item.ValueType == "TEXT":
        value = item.TextValue
    elif item.ValueType == "UIDREF":
        value = item.UID
    elif item.ValueType == "SCOORD3D":
        value = " ".join(f"{x:.6g}" for x in item.GraphicData) + " in " + item.ReferencedFrameOfReferenceUID
    print("sr", item.ValueType, " > ".join(here), value)
    for child in item.get("ContentSequence", []):
        walk(child, here)


walk(pydicom.dcmread(folder / "sr.dcm"), [])
registration = pydicom.dcmread(folder / "registration.dcm")
print("registration into", registration.FrameOfReferenceUID)
for item in registration.RegistrationSequence:
    matrix = item.MatrixRegistrationSequence[0].MatrixSequence[0].FrameOfReferenceTransformationMatrix
    print("registration", item.FrameOfReferenceUID, " ".join(f"{float(x):.9f}" for x in matrix))
surface = pydicom.dcmread(folder / "surface.dcm")
stl = surface.EncapsulatedDocument[: surface.EncapsulatedDocumentLength]
count = struct.unpack("<I", stl[80:84])[0]
corners = [struct.unpack("<9f", stl[96 + 50 * i : 132 + 50 * i]) for i in range(count)]
print("surface", surface.FrameOfReferenceUID, surface.MeasurementUnitsCodeSequence[0].CodeValue, surface.MIMETypeOfEncapsulatedDocument, count, len(stl))
for axis in range(3):
    values = [c[axis + 3 * k] for c in corners for k in range(3)]
    print("surface", "xyz"[axis], f"{min(values):.5f} {max(values):.5f}")
