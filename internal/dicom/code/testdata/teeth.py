#!/usr/bin/env python3
"""Writes teeth.csv: CID 4018 of PS3.16 as pydicom 2.3.1 (Debian 12) has it, by ISO 3950
numbers.

    /usr/bin/python3 teeth.py > teeth.csv
"""
from pydicom.sr import _cid_dict, _concepts_dict

QUADRANTS = {"MaxillaryRight": 1, "MaxillaryLeft": 2, "MandibularLeft": 3, "MandibularRight": 4}
PLACES = {"CentralIncisor": 1, "LateralIncisor": 2, "Lateral": 2, "Canine": 3, "FirstPremolar": 4, "SecondPremolar": 5,
          "FirstMolar": 6, "SecondMolar": 7, "ThirdMolar": 8}

rows = []
for keyword in _cid_dict.cid_concepts[4018]["SCT"]:
    ((value, (meaning, _)),) = _concepts_dict.concepts["SCT"][keyword].items()
    for quadrant, number in QUADRANTS.items():
        if keyword.startswith(quadrant):
            place = PLACES[keyword.removesuffix("Tooth")[len(quadrant):]]
            rows.append((10 * number + place, value, meaning))
print("tooth,code,meaning")
for row in sorted(rows):
    print(*row, sep=",")
