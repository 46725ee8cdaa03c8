"""Reads the files that TestVerdict writes with pydicom, dcmtk and dicom3tools
and freezes what they say, for TestVerdict to compare.

Made with pydicom 2.3.1, numpy 1.24.2, dcmtk 3.6.7 (dcmdump), dicom3tools
1.00~20220618093127 (dciodvfy):

    go test ./internal/dicom/encode -run TestVerdict -files DIR
    python3 internal/dicom/encode/testdata/verdict.py DIR > internal/dicom/encode/testdata/verdict.json
"""
import hashlib
import json
import os
import subprocess
import sys

import numpy as np
import pydicom


def group(ds, i, sequence, key):
    """An attribute of frame i: its own, the shared one, or the file's."""
    for groups, at in ((ds.get("PerFrameFunctionalGroupsSequence"), i), (ds.get("SharedFunctionalGroupsSequence"), 0)):
        if groups and sequence in groups[at]:
            return groups[at][sequence][0][key].value
    return ds[key].value


def judge(path):
    ds = pydicom.dcmread(path)
    stored, high = int(ds.BitsStored), int(ds.HighBit)
    x = (ds.pixel_array.astype(np.int64) >> (high + 1 - stored)) & ((1 << stored) - 1)
    if ds.PixelRepresentation == 1:
        x = np.where(x >> (stored - 1) & 1, x - (1 << stored), x)
    n = int(ds.get("NumberOfFrames", 1))
    floats = lambda seq, key: [[float(v) for v in group(ds, i, seq, key)] for i in range(n)]
    orientation = floats("PlaneOrientationSequence", "ImageOrientationPatient")
    dump = subprocess.run(["dcmdump", path], capture_output=True)
    errors = None
    if n == 1 and ds.file_meta.TransferSyntaxUID != "1.2.840.10008.1.2.1.99":  # dciodvfy does not inflate
        check = subprocess.run(["dciodvfy", path], capture_output=True, text=True)
        errors = (check.stdout + check.stderr).count("Error")
    return {
        "sha256": hashlib.sha256(open(path, "rb").read()).hexdigest(),
        "dcmtk": dump.returncode == 0 and not dump.stderr,
        "errors": errors,
        "values": hashlib.sha256(x.astype("<i4").tobytes()).hexdigest(),
        "position": floats("PlanePositionSequence", "ImagePositionPatient"),
        "row": [o[:3] for o in orientation],
        "column": [o[3:] for o in orientation],
        "spacing": floats("PixelMeasuresSequence", "PixelSpacing"),
        "rescale": [[float(group(ds, i, "PixelValueTransformationSequence", k)) for k in ("RescaleSlope", "RescaleIntercept")] for i in range(n)],
    }


root = sys.argv[1]
out = {}
for folder in sorted(os.listdir(root)):
    for name in sorted(os.listdir(os.path.join(root, folder))):
        out[folder + "/" + name] = judge(os.path.join(root, folder, name))
print("{\n" + ",\n".join(f"{json.dumps(k)}: {json.dumps(v)}" for k, v in out.items()) + "\n}")
