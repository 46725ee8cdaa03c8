#!/bin/sh
# Holds the objects beside this script against the validators of Debian 12 and reads them
# back with pydicom. Prints what is left of the complaints, as verdicts.txt has it, and
# fails where the objects are read otherwise than readback.txt says.
#
#   sh check.sh > verdicts.txt
#
# Packages: dicom3tools (20220618), dcmtk (3.6.7), pixelmed-apps (20220618) with a Java
# runtime, python3-pydicom (2.3.1). What they say of anything is left out here is
# listed with the reason:
#   - a patient ID that would be needed to build a DICOMDIR: nobody is named;
#   - 99PLUMBLINE as an unrecognized defined term: a private scheme (PS3.16 section 8.2);
#   - dsrdump's remark that it does not check UTF-8 text;
#   - DicomSRValidator on the parts of an interval, which by TID 310 are properties of a
#     figure: it takes every number below a figure for those that the figure is inferred
#     from (TID 300, rows 9 and 10), also where TID 300 itself includes TID 310;
#   - DicomSRValidator on what it has no row for: remarks in a group, which TID 1501 has
#     since 2019 as qualitative evaluations, and comments. Both templates are extensible.
set -eu
cd "$(dirname "$0")"
for file in sr registration surface; do
  echo "$file.dcm $(sha256sum $file.dcm | cut -d' ' -f1)"
  dciodvfy -new $file.dcm 2>&1 | grep -v 'needed to build DICOMDIR' | grep -v 'Unrecognized defined term = <99PLUMBLINE>' | sed 's/^/dciodvfy: /'
done
{ dsrdump sr.dcm 2>&1 >/dev/null || echo "dsrdump fails"; } | grep -v 'does not support this Specific Character Set' | sed 's/^/dsrdump: /' || true
java -Djdk.xml.xpathTotalOpLimit=0 -Djdk.xml.xpathExprOpLimit=0 -Djdk.xml.xpathExprGrpLimit=0 \
  -cp /usr/share/java/pixelmed.jar com.pixelmed.validate.DicomSRValidator sr.dcm 2>&1 |
  grep -v 'Row \(9\|10\)\] NUM .*measurement uncertainty"): Incorrect relationship - expected INFERRED FROM - found HAS PROPERTIES$' |
  grep -v '/\(CODE ([a-z]*,99PLUMBLINE,"[A-Za-z ]*")\|TEXT (121106,DCM,"Comment")\): Content Item not in template' | sed 's/^/DicomSRValidator: /'
/usr/bin/python3 readback.py . | diff - readback.txt
