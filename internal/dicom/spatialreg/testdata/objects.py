"""Writes the Spatial Registration objects of this folder and points.csv, where
post points go in the planning frame. pydicom 2.3.1, numpy 1.24.

The registered frame 1.2.3 is a third one in two.dcm: both scans have an item, the
follow-up's with two matrices. In one.dcm it is the planning scan's own, without an
item, as some programs write it, in implicit little endian with sequences of
undefined length."""
import numpy as np
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, ExplicitVRBigEndian, ImplicitVRLittleEndian

PRE, POST, THIRD = "1.2.840.1", "1.2.840.22", "1.2.3"


def turn(axis, degrees, shift):
    a = np.asarray(axis, float) / np.linalg.norm(axis)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    t = np.radians(degrees)
    m = np.eye(4)
    m[:3, :3] = np.eye(3) + np.sin(t) * k + (1 - np.cos(t)) * k @ k
    m[:3, 3] = shift
    return m


def item(frame, matrices):
    s = Sequence()
    for m in matrices:
        d = Dataset()
        d.FrameOfReferenceTransformationMatrixType = "RIGID"
        d.FrameOfReferenceTransformationMatrix = [f"{x:.10f}"[:16] for x in m.ravel()]
        s.append(d)
    r = Dataset()
    r.MatrixSequence = s
    d = Dataset()
    d.FrameOfReferenceUID = frame
    d.MatrixRegistrationSequence = Sequence([r])
    return d


def write(name, frame, items, syntax, undefined=False):
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.66.1"
    meta.MediaStorageSOPInstanceUID = "1.2.3.4"
    meta.TransferSyntaxUID = syntax
    d = FileDataset(name, {}, file_meta=meta, preamble=b"\0" * 128)
    d.is_little_endian = syntax != ExplicitVRBigEndian
    d.is_implicit_VR = syntax == ImplicitVRLittleEndian
    d.SOPClassUID = meta.MediaStorageSOPClassUID
    d.SOPInstanceUID = "1.2.3.4"
    d.FrameOfReferenceUID = frame
    d.RegistrationSequence = Sequence(items)
    if undefined:
        def mark(ds):
            for e in ds:
                if e.VR == "SQ":
                    e.is_undefined_length = True
                    for i in e.value:
                        i.is_undefined_length_sequence_item = True
                        mark(i)
        mark(d)
    d.save_as(name, write_like_original=False)


pre = turn([1, 2, 3], 20, [5, -6, 7])
first, second = turn([0, 1, 1], -35, [1, 2, 3]), turn([3, -1, 0], 50, [-40, 10, 0])
write("two.dcm", THIRD, [item(POST, [first, second]), item(PRE, [pre])], ExplicitVRLittleEndian)
write("big.dcm", THIRD, [item(POST, [first, second]), item(PRE, [pre])], ExplicitVRBigEndian)
write("one.dcm", PRE, [item(POST, [first])], ImplicitVRLittleEndian, True)
rows = ["file,x,y,z,px,py,pz"]
for name, m in (("two.dcm", np.linalg.inv(pre) @ second @ first), ("big.dcm", np.linalg.inv(pre) @ second @ first), ("one.dcm", first)):
    for p in ([0, 0, 0], [10, -20, 30], [-55.5, 4.25, -7]):
        q = m @ np.array([*p, 1.0])
        rows.append(",".join([name] + [repr(float(x)) for x in [*p, *q[:3]]]))
open("points.csv", "w").write("\n".join(rows) + "\n")
