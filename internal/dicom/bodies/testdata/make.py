#!/usr/bin/env python3
"""Makes the objects beside this script with pydicom 2.3.1 and numpy (Debian 12), and writes
samples.txt: what pydicom reads of the public samples.

    /usr/bin/python3 make.py
"""
import pathlib
import struct

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

HERE = pathlib.Path(__file__).parent
FRAME = "1.2.840.99.1"
CENTRE, RADIUS = np.array([10.0, -20.0, 30.0]), 4.0


def begin(kind, instance):
    d = Dataset()
    d.SOPClassUID, d.SOPInstanceUID = kind, instance
    d.PatientName = d.PatientID = d.PatientBirthDate = d.PatientSex = ""
    d.StudyInstanceUID, d.SeriesInstanceUID = "1.2.840.99.2", "1.2.840.99.3"
    return d


def save(d, name, syntax=ExplicitVRLittleEndian):
    d.file_meta = FileMetaDataset()
    d.file_meta.TransferSyntaxUID = syntax
    d.file_meta.MediaStorageSOPClassUID, d.file_meta.MediaStorageSOPInstanceUID = d.SOPClassUID, d.SOPInstanceUID
    d.is_little_endian, d.is_implicit_VR = True, syntax == ImplicitVRLittleEndian
    d.save_as(HERE / name, write_like_original=False)


def item(**values):
    d = Dataset()
    for key, value in values.items():
        setattr(d, key, value)
    return d


def code(value, scheme, meaning):
    return item(CodeValue=value, CodingSchemeDesignator=scheme, CodeMeaning=meaning)


def rtstruct():
    """A sphere with a spherical hole in planes 0.5 mm apart, a line, and three points."""
    d = begin("1.2.840.10008.5.1.4.1.1.481.3", "1.2.840.99.10")
    names = ["Sphere", "Canal", "Marks", "Two parts"]
    d.StructureSetROISequence = Sequence(item(ROINumber=i + 1, ReferencedFrameOfReferenceUID=FRAME, ROIName=n) for i, n in enumerate(names))

    def circle(radius, z, n=72):
        angle = 2 * np.pi * np.arange(n) / n
        points = np.stack([CENTRE[0] + radius * np.cos(angle), CENTRE[1] + radius * np.sin(angle), np.full(n, z)], 1)
        return item(ContourGeometricType="CLOSED_PLANAR", NumberOfContourPoints=n, ContourData=[f"{x:.4f}" for x in points.ravel()])

    sphere = []
    for k in range(-7, 8):
        dz = 0.5 * k
        sphere.append(circle(np.sqrt(RADIUS**2 - dz**2), CENTRE[2] + dz))
        if abs(dz) < 2:
            sphere.append(circle(np.sqrt(2.0**2 - dz**2), CENTRE[2] + dz))
    canal = item(ContourGeometricType="OPEN_NONPLANAR", NumberOfContourPoints=3, ContourData=["-30.1", "20.2", "-6", "-25", "14.1", "-5.5", "-20", "9", "-5"])
    marks = [item(ContourGeometricType="POINT", NumberOfContourPoints=1, ContourData=[str(x), "2", "3"]) for x in (1, 5, 9)]
    parts = [circle(2.0, z) for z in (0, 0.5, 1, 11, 11.5, 12)]
    d.ROIContourSequence = Sequence(item(ReferencedROINumber=i + 1, ContourSequence=Sequence(c)) for i, c in enumerate([sphere, [canal], marks, parts]))
    save(d, "rtstruct.dcm", ImplicitVRLittleEndian)


def segmentation():
    """A box of 6 x 5 x 4 voxels of 0.25 x 0.5 x 0.75 mm, and the sphere, one bit a voxel."""
    d = begin("1.2.840.10008.5.1.4.1.1.66.4", "1.2.840.99.11")
    rows, columns, slices = 40, 72, 20
    pixel, spacing = (0.5, 0.25), 0.75
    origin = CENTRE - [0.25 * 35, 0.5 * 19, 0.75 * 9]
    x = origin[0] + 0.25 * np.arange(columns)
    y = origin[1] + 0.5 * np.arange(rows)
    z = origin[2] + 0.75 * np.arange(slices)
    box = np.zeros((slices, rows, columns), np.uint8)
    box[3:7, 10:15, 20:26] = 1
    sphere = ((x[None, None] - CENTRE[0]) ** 2 + (y[None, :, None] - CENTRE[1]) ** 2 + (z[:, None, None] - CENTRE[2]) ** 2 < RADIUS**2).astype(np.uint8)
    d.Rows, d.Columns, d.BitsAllocated, d.BitsStored, d.HighBit, d.PixelRepresentation = rows, columns, 1, 1, 0, 0
    d.SamplesPerPixel, d.PhotometricInterpretation, d.SegmentationType = 1, "MONOCHROME2", "BINARY"
    d.FrameOfReferenceUID = FRAME
    d.SegmentSequence = Sequence(item(SegmentNumber=i + 1, SegmentLabel=n) for i, n in enumerate(["Box", "Sphere"]))
    d.SharedFunctionalGroupsSequence = Sequence([item(
        PlaneOrientationSequence=Sequence([item(ImageOrientationPatient=["1", "0", "0", "0", "1", "0"])]),
        PixelMeasuresSequence=Sequence([item(PixelSpacing=[str(p) for p in pixel], SpacingBetweenSlices=str(spacing), SliceThickness=str(spacing))]))])
    frames, planes = [], []
    for n, body in enumerate((box, sphere)):
        for k in range(slices):
            if body[k].any():  # empty ones are left out
                frames.append(item(
                    SegmentIdentificationSequence=Sequence([item(ReferencedSegmentNumber=n + 1)]),
                    PlanePositionSequence=Sequence([item(ImagePositionPatient=[f"{v:.4f}" for v in (*origin[:2], z[k])])])))
                planes.append(body[k])
    d.PerFrameFunctionalGroupsSequence = Sequence(frames)
    d.NumberOfFrames = len(frames)
    d.add_new(0x7FE00010, "OB", np.packbits(np.stack(planes).ravel(), bitorder="little").tobytes())
    save(d, "segmentation.dcm")


CUBE = np.array([[i, j, k] for i in (0.0, 2.5) for j in (0.0, 3.5) for k in (0.0, 4.5)], np.float32)
FACES = [(1, 2, 4), (1, 4, 3), (5, 8, 6), (5, 7, 8), (1, 6, 2), (1, 5, 6), (3, 4, 8), (3, 8, 7), (1, 3, 7), (1, 7, 5), (2, 6, 8), (2, 8, 4)]


def surface(number, points, primitives):
    return item(SurfaceNumber=number, SurfacePointsSequence=Sequence([item(NumberOfSurfacePoints=len(points), PointCoordinatesData=points.astype("<f4").tobytes())]),
                SurfaceMeshPrimitivesSequence=Sequence([primitives]))


def long_triangles(faces):
    d = Dataset()
    d.add_new(0x00660041, "OL", np.array(faces, "<u4").tobytes())
    return d


def surface_segmentation():
    """A box of 2.5 x 3.5 x 4.5 mm as triangles in the old 16-bit list, the new one, and facets."""
    d = begin("1.2.840.10008.5.1.4.1.1.66.5", "1.2.840.99.12")
    d.FrameOfReferenceUID = FRAME
    d.SegmentSequence = Sequence(item(SegmentNumber=i + 1, SegmentLabel=n, ReferencedSurfaceSequence=Sequence([item(ReferencedSurfaceNumber=i + 1)]))
                                 for i, n in enumerate(["Old", "New", "Facets", "Strip"]))
    old = Dataset()
    old.add_new(0x00660023, "OW", np.array(FACES, "<u2").tobytes())
    facets = Dataset()
    quads = [(1, 2, 4, 3), (5, 7, 8, 6), (1, 5, 6, 2), (3, 4, 8, 7), (1, 3, 7, 5), (2, 6, 8, 4)]
    facets.FacetSequence = Sequence()
    for q in quads:
        f = Dataset()
        f.add_new(0x00660040, "OL", np.array(q, "<u4").tobytes())
        facets.FacetSequence.append(f)
    strip = Dataset()
    s = Dataset()
    s.add_new(0x00660029, "OW", np.array([1, 3, 2, 4], "<u2").tobytes())
    strip.TriangleStripSequence = Sequence([s])
    d.SurfaceSequence = Sequence([surface(1, CUBE, old), surface(2, CUBE, long_triangles(FACES)), surface(3, CUBE, facets), surface(4, CUBE, strip)])
    d.NumberOfSurfaces = 4
    save(d, "surfacesegmentation.dcm")


def stl(points, faces):
    out = bytes(80) + struct.pack("<I", len(faces))
    for f in faces:
        out += bytes(12) + b"".join(np.asarray(points[i - 1], "<f4").tobytes() for i in f) + bytes(2)
    return out


def encapsulated(name, scale, unit):
    d = begin("1.2.840.10008.5.1.4.1.1.104.3", "1.2.840.99.13")
    d.FrameOfReferenceUID, d.DocumentTitle, d.MIMETypeOfEncapsulatedDocument = FRAME, "Box", "model/stl"
    d.MeasurementUnitsCodeSequence = Sequence([code(unit, "UCUM", unit)])
    d.EncapsulatedDocument = stl(CUBE * scale, FACES)
    save(d, name)


def fiducials():
    d = begin("1.2.840.10008.5.1.4.1.1.66.2", "1.2.840.99.14")
    points = {"36 entry": (-24.1, 11.32, 8.05), "36 apex": (-24.62, 12.01, -1.91), "marker 1": (0, 0, 0)}
    d.FiducialSetSequence = Sequence([item(FrameOfReferenceUID=FRAME, FiducialSequence=Sequence(
        item(FiducialIdentifier=n, ShapeType="POINT", NumberOfContourPoints=1, ContourData=[str(x) for x in p]) for n, p in points.items()))])
    save(d, "fiducials.dcm")


def content(relation, kind, name, **values):
    d = item(RelationshipType=relation, ValueType=kind, **values)
    if name:
        d.ConceptNameCodeSequence = Sequence([code(name[0], "DCM", name[1])])
    return d


def reference(kind, instance):
    return Sequence([item(ReferencedSOPClassUID=kind, ReferencedSOPInstanceUID=instance)])


def cylinder(diameter, length, n=64):
    """A closed cylinder from the origin along -z."""
    angle = 2 * np.pi * np.arange(n) / n
    ring = np.stack([diameter / 2 * np.cos(angle), diameter / 2 * np.sin(angle)], 1)
    points = [(0, 0, 0), (0, 0, -length)] + [(x, y, 0) for x, y in ring] + [(x, y, -length) for x, y in ring]
    faces = []
    for i in range(n):
        a, b = 3 + i, 3 + (i + 1) % n
        c, e = a + n, b + n
        faces += [(1, a, b), (2, e, c), (a, c, e), (a, e, b)]
    return np.array(points, np.float32), faces


def plan():
    """PS3.17 AAA.4, two fixtures; its component types are those of a hip, as there."""
    template_class, plan_class = "1.2.840.10008.5.1.4.43.1", "1.2.840.10008.5.1.4.1.1.88.70"
    turn = np.array([[0.8, 0.6, 0], [-0.6, 0.8, 0], [0, 0, 1.0]]) @ np.array([[1, 0, 0], [0, 0.96, -0.28], [0, 0.28, 0.96]])
    components = []
    items = [item(FrameOfReferenceUID=FRAME, MatrixRegistrationSequence=Sequence([matrix(np.eye(4))]))]
    for n, (at, diameter, length) in enumerate([((-24.1, 11.32, 8.05), 4.1, 10.0), ((-30.5, 19.75, 7.25), 4.8, 8.0)]):
        frame, derived, original = f"1.2.3.4.{n + 1}", f"1.2.840.99.2{n}", f"1.2.840.99.3{n}"
        components.append(content("CONTAINS", "CONTAINER", ("112346", "Selected Implant Component"), ContentSequence=Sequence([
            content("HAS OBS CONTEXT", "TEXT", ("112347", "Component ID"), TextValue=str(n + 1)),
            content("CONTAINS", "CODE", ("112370", "Component Type"), ConceptCodeSequence=Sequence([code("112305", "DCM", "Femoral Head")])),
            content("CONTAINS", "COMPOSITE", ("112348", "Implant Template"), ReferencedSOPSequence=reference(template_class, derived)),
            content("CONTAINS", "UIDREF", ("112227", "Frame of Reference UID"), UID=frame),
            content("CONTAINS", "COMPOSITE", ("112371", "Manufacturer Implant Template"), ReferencedSOPSequence=reference(template_class, original)),
        ])))
        t = begin(template_class, derived)
        t.FrameOfReferenceUID = frame
        points, faces = cylinder(diameter, length)
        t.SurfaceSequence = Sequence([surface(1, points, long_triangles(faces))])
        save(t, f"plan/template{n + 1}.dcm")
        m = np.eye(4)
        m[:3, :3], m[:3, 3] = turn, at
        items.append(item(FrameOfReferenceUID=frame, MatrixRegistrationSequence=Sequence([matrix(m)])))
        print("plan", n + 1, *np.round(at, 6), *np.round(turn @ [0, 0, -length] + at, 9))
    d = begin(plan_class, "1.2.840.99.40")
    d.ValueType, d.ContinuityOfContent = "CONTAINER", "SEPARATE"
    d.ConceptNameCodeSequence = Sequence([code("112345", "DCM", "Implantation Plan")])
    d.ContentSequence = Sequence([content("CONTAINS", "CONTAINER", ("112360", "Implant Component List"), ContentSequence=Sequence(components))])
    save(d, "plan/plan.dcm")
    r = begin("1.2.840.10008.5.1.4.1.1.66.1", "1.2.840.99.41")
    r.FrameOfReferenceUID = FRAME
    r.RegistrationSequence = Sequence(items)
    save(r, "plan/registration.dcm")


def matrix(m):
    return item(MatrixSequence=Sequence([item(FrameOfReferenceTransformationMatrixType="RIGID", FrameOfReferenceTransformationMatrix=[f"{x:.10g}" for x in m.ravel()])]))


def samples():
    """Names, frames and extents of the public samples as pydicom reads them."""
    lines = []
    d = pydicom.dcmread(HERE / "pydicom_rtstruct.dcm", force=True)
    for roi in d.StructureSetROISequence:
        lines.append(f"pydicom_rtstruct.dcm {roi.ROIName!r} {roi.ReferencedFrameOfReferenceUID}")
    for name in ("highdicom_binary", "highdicom_overlap", "highdicom_fractional"):
        d = pydicom.dcmread(HERE / f"{name}.dcm")
        voxels = d.pixel_array.reshape(d.NumberOfFrames, d.Rows, d.Columns) / float(d.get("MaximumFractionalValue", 1))
        shared = d.SharedFunctionalGroupsSequence[0]
        for segment in d.SegmentSequence:
            points = []
            for k, f in enumerate(d.PerFrameFunctionalGroupsSequence):
                number = f.get("SegmentIdentificationSequence", shared.get("SegmentIdentificationSequence"))[0].ReferencedSegmentNumber
                if number != segment.SegmentNumber:
                    continue
                at = np.array(f.PlanePositionSequence[0].ImagePositionPatient, float)
                turn = np.array(shared.get("PlaneOrientationSequence", f.get("PlaneOrientationSequence"))[0].ImageOrientationPatient, float)
                size = shared.get("PixelMeasuresSequence", f.get("PixelMeasuresSequence"))[0].PixelSpacing
                for j, i in np.argwhere(voxels[k] > 0.5):
                    points.append(at + turn[:3] * float(size[1]) * i + turn[3:] * float(size[0]) * j)
            points = np.array(points)
            extent = np.concatenate([points.min(0), points.max(0)]) if len(points) else np.zeros(6)
            lines.append(f"{name}.dcm {segment.SegmentLabel!r} {d.FrameOfReferenceUID} {len(points)} " + " ".join(f"{x:.4f}" for x in extent))
    (HERE / "samples.txt").write_text("\n".join(lines) + "\n")


rtstruct()
segmentation()
surface_segmentation()
encapsulated("stl_mm.dcm", 1, "mm")
encapsulated("stl_cm.dcm", 0.1, "cm")
encapsulated("stl_wrong.dcm", 1, "um")
fiducials()
plan()
samples()
