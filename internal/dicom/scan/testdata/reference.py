"""Writes small scans with pydicom, dcmtk and gdcm, one zip archive each, and
freezes in reference.json what these libraries and PS3.3 C.7.6.2.1.1 make of
them, for TestReference to compare.

Made with pydicom 2.3.1, numpy 1.24.2, dcmtk 3.6.7 (dcmcjpeg, dcmcjpls, dcmcrle,
dcmdjpeg, dcmdjpls, dcmmkdir), gdcm 3.0.21 (gdcmconv), OpenJPEG 2.5.0
(opj_compress):

    python3 internal/dicom/scan/testdata/reference.py

All grey values are random or simple functions of the voxel's place; no file
holds anything of a person.
"""
import hashlib
import io
import json
import os
import subprocess
import tempfile
import zipfile

import numpy as np
import pydicom
import pydicom.encaps
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import (DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, ExplicitVRLittleEndian,
                         ImplicitVRLittleEndian)

HERE = os.path.dirname(os.path.abspath(__file__))
ROWS, COLS, SLICES = 7, 9, 12
CT, ENHANCED = "1.2.840.10008.5.1.4.1.1.2", "1.2.840.10008.5.1.4.1.1.2.1"


def rotation(v):
    """Rotation matrix of a rotation vector (Rodrigues)."""
    v = np.asarray(v, float)
    a = np.linalg.norm(v)
    k = v / a
    x = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    return np.eye(3) + np.sin(a) * x + (1 - np.cos(a)) * x @ x


def ds(x):
    """Decimal strings of at most 16 characters."""
    out = []
    for v in x:
        for digits in range(16, 0, -1):
            s = "%.*g" % (digits, v)
            if len(s) <= 16:
                break
        out.append(s)
    return out


class Scan:
    """A scan to be written; each case changes some of it."""

    def __init__(self, name):
        self.name = name
        self.rng = np.random.default_rng(int(hashlib.sha256(name.encode()).hexdigest()[:8], 16))
        r = rotation([0.3, -0.5, 0.8])
        self.row, self.col, self.step = r[:, 0], r[:, 1], 0.6 * r[:, 2]
        self.origin = np.array([-31.25, 12.5, -7.75])
        self.spacing = (0.4, 0.25)  # between rows, between columns
        self.slope, self.intercept = [1.0] * SLICES, [-1000.0] * SLICES
        self.allocated, self.stored, self.high, self.signed = 16, 16, 15, False
        self.junk = False  # in the bits that are not in use
        self.syntax = ExplicitVRLittleEndian
        self.files = None  # names of the slices
        self.change = lambda k, d: None
        self.smooth = False

    def values(self):
        lo, hi = (-(1 << self.stored - 1), (1 << self.stored - 1) - 1) if self.signed else (0, (1 << self.stored) - 1)
        if self.smooth:
            k, j, i = np.mgrid[:SLICES, :ROWS, :COLS]
            return (lo + (hi - lo) * (0.5 + 0.4 * np.sin(0.5 * i + 0.3 * j + 0.2 * k))).astype(np.int64)
        return self.rng.integers(lo, hi + 1, (SLICES, ROWS, COLS))

    def words(self, x):
        w = (x & ((1 << self.stored) - 1)) << (self.high + 1 - self.stored)
        if self.junk:
            used = ((1 << self.stored) - 1) << (self.high + 1 - self.stored)
            w |= self.rng.integers(0, 1 << self.allocated, x.shape) & ~used
        kind = ("<" if self.syntax != ExplicitVRBigEndian else ">") + ("u2" if self.allocated == 16 else "u1")
        return w.astype(kind).tobytes()

    def place(self, k):
        d = Dataset()
        d.ImagePositionPatient = ds(self.origin + k * self.step)
        return d

    def orientation(self):
        d = Dataset()
        d.ImageOrientationPatient = ds(list(self.row) + list(self.col))
        return d

    def measures(self):
        d = Dataset()
        d.PixelSpacing = ds(self.spacing)
        d.SliceThickness = "0.9"  # not the distance between slices
        d.SpacingBetweenSlices = ds([np.linalg.norm(self.step)])[0]
        return d

    def rescale(self, k):
        d = Dataset()
        d.RescaleSlope, d.RescaleIntercept = ds([self.slope[k], self.intercept[k]])
        return d

    def common(self, sop, number):
        d = Dataset()
        d.SOPClassUID = sop
        d.SOPInstanceUID = "2.25.%d" % (int(hashlib.sha256(("%s %d" % (self.name, number)).encode()).hexdigest()[:24], 16))
        d.SeriesInstanceUID = "2.25.%d" % (int(hashlib.sha256(self.name.encode()).hexdigest()[:24], 16))
        d.StudyInstanceUID = d.SeriesInstanceUID + ".1"
        d.FrameOfReferenceUID = d.SeriesInstanceUID + ".2"
        d.Modality = "CT"
        d.ImageType = ["DERIVED", "PRIMARY", "AXIAL"]
        d.PatientName, d.PatientID = "", ""
        d.StudyDate, d.StudyTime, d.StudyID, d.SeriesNumber = "20250102", "120000", "1", "1"
        d.InstanceNumber = str(100 - number)  # against the order of the slices
        d.SamplesPerPixel, d.PhotometricInterpretation = 1, "MONOCHROME2"
        d.Rows, d.Columns = ROWS, COLS
        d.BitsAllocated, d.BitsStored, d.HighBit = self.allocated, self.stored, self.high
        d.PixelRepresentation = int(self.signed)
        return d

    def encode(self, d):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = d.SOPClassUID, d.SOPInstanceUID
        meta.TransferSyntaxUID = self.syntax
        meta.ImplementationClassUID = "2.25.1"
        f = FileDataset("", d, file_meta=meta, preamble=b"\0" * 128)
        f.is_little_endian = self.syntax != ExplicitVRBigEndian
        f.is_implicit_VR = self.syntax == ImplicitVRLittleEndian
        b = io.BytesIO()
        pydicom.dcmwrite(b, f, write_like_original=False)
        return b.getvalue()

    def single(self):
        """One file a slice: name to bytes."""
        x = self.values()
        out = {}
        for k in range(SLICES):
            d = self.common(CT, k)
            for part in (self.place(k), self.orientation(), self.measures(), self.rescale(k)):
                d.update(part)
            d[0x7FE00010] = pydicom.DataElement(0x7FE00010, "OW" if self.allocated == 16 else "OB", self.words(x[k]) + b"\0" * (len(self.words(x[k])) % 2))
            self.change(k, d)
            out[self.files[k] if self.files else "S%03d" % ((k * 5) % SLICES)] = self.encode(d)
        return x, out

    def enhanced(self, order, own_rescale=True, shared=("measures", "orientation")):
        """One Enhanced CT file, frames in the given order."""
        x = self.values()
        d = self.common(ENHANCED, 0)
        d.NumberOfFrames = SLICES
        part = {"measures": ("PixelMeasuresSequence", lambda k: self.measures()),
                "orientation": ("PlaneOrientationSequence", lambda k: self.orientation()),
                "rescale": ("PixelValueTransformationSequence", self.rescale),
                "place": ("PlanePositionSequence", self.place)}
        s = Dataset()
        for p in shared:
            setattr(s, part[p][0], Sequence([part[p][1](0)]))
        d.SharedFunctionalGroupsSequence = Sequence([s])
        own = []
        for k in order:
            o = Dataset()
            for p in part:
                if p not in shared:
                    setattr(o, part[p][0], Sequence([part[p][1](k)]))
            own.append(o)
        d.PerFrameFunctionalGroupsSequence = Sequence(own)
        d[0x7FE00010] = pydicom.DataElement(0x7FE00010, "OW", b"".join(self.words(x[k]) for k in order))
        self.change(0, d)
        return x, {"enhanced": self.encode(d)}

    def plain(self):
        """One multi-frame CT file without functional groups."""
        x = self.values()
        d = self.common(CT, 0)
        d.NumberOfFrames = SLICES
        for part in (self.place(0), self.orientation(), self.measures(), self.rescale(0)):
            d.update(part)
        d[0x7FE00010] = pydicom.DataElement(0x7FE00010, "OW", self.words(x) + b"\0" * (len(self.words(x)) % 2))
        self.change(0, d)
        return x, {"frames.dcm": self.encode(d)}

    def expected(self, x):
        """What the scan must read as: slices in the order along row × column."""
        order = list(range(SLICES))
        normal = np.cross(self.row, self.col)
        if normal @ self.step < 0:
            order.reverse()
        at = self.origin + order[0] * self.step
        x = x[order]
        # PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1: columns of the matrix are
        # the row direction times the column spacing, and so on.
        m = np.column_stack([self.row * self.spacing[1], self.col * self.spacing[0], np.sign(normal @ self.step) * self.step])
        points = []
        for _ in range(12):
            k, j, i = (int(self.rng.integers(n)) for n in x.shape)
            p = m @ [i, j, k] + at
            grey = float(x[k, j, i]) * self.slope[order[k]] + self.intercept[order[k]]
            points.append({"voxel": [i, j, k], "patient": [float(v) for v in p], "grey": grey})
        return {"size": [COLS, ROWS, SLICES], "signed": self.signed, "points": points,
                "values": hashlib.sha256(x.astype("<i4").tobytes()).hexdigest()}


def save(name, files):
    with zipfile.ZipFile(os.path.join(HERE, name + ".zip"), "w", zipfile.ZIP_DEFLATED) as z:
        for f in sorted(files):
            z.writestr(zipfile.ZipInfo(f), files[f], zipfile.ZIP_DEFLATED)


def through(files, *command):
    """Each file through an outside program that takes a file in and one out."""
    out = {}
    with tempfile.TemporaryDirectory() as t:
        for name, b in files.items():
            a, c = os.path.join(t, "in"), os.path.join(t, "out")
            open(a, "wb").write(b)
            subprocess.run([*command, a, c], check=True, capture_output=True)
            out[name] = open(c, "rb").read()
    return out


def decoded(files, command):
    """Stored values, slopes and intercepts of one-slice files in the order of
    their instance numbers, downwards, as an outside decoder gives them; dcmtk's
    lossy encoders change the rescale."""
    found = {}
    for b in through(files, *command).values():
        d = pydicom.dcmread(io.BytesIO(b))
        found[100 - int(d.InstanceNumber)] = (d.pixel_array.astype(np.int64), float(d.RescaleSlope), float(d.RescaleIntercept))
    x, slope, intercept = zip(*(found[k] for k in sorted(found)))
    return np.stack(x), slope, intercept


cases = {}


def case(name, make):
    s = Scan(name)
    x, files = make(s)
    save(name, files)
    cases[name] = s.expected(x)


def oblique(s):
    return s.single()


def sagittal(s):
    s.row, s.col, s.step = np.array([0, 1.0, 0]), np.array([0, 0, -1.0]), np.array([0.3, 0, 0])
    return s.single()


def coronal_reversed(s):
    s.row, s.col, s.step = np.array([1.0, 0, 0]), np.array([0, 0, -1.0]), np.array([0, -0.3, 0])
    s.files = ["disc/A/%c/IM" % (90 - k) for k in range(SLICES)]
    return s.single()


def feet_first(s):
    s.row, s.col, s.step = np.array([-1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 0.2])
    return s.single()


def signed_padding(s):
    s.signed = True

    def change(k, d):
        d.add_new(0x00280120, "SS", -2000)
    s.change = change
    x = s.values()
    x[:, 0, :] = -2000
    s.values = lambda: x
    return s.single()


def bits12_overlay(s):
    s.stored, s.high, s.signed, s.junk = 12, 11, True, True
    return s.single()


def bits12_high(s):
    s.stored, s.high, s.junk = 12, 15, True
    return s.single()


def bits10_middle(s):
    s.stored, s.high, s.signed, s.junk = 10, 12, True, True
    return s.single()


def bytes8(s):
    s.allocated, s.stored, s.high = 8, 8, 7
    return s.single()


def rescale_by_slice(s):
    s.slope = [0.5 + 0.125 * k for k in range(SLICES)]
    s.intercept = [-1000.5 - 10 * k for k in range(SLICES)]
    return s.single()


def big_endian(s):
    s.syntax, s.signed = ExplicitVRBigEndian, True
    return s.single()


def big_endian_words8(s):
    """8-bit voxels in 16-bit big-endian words: bytes in pairs the other way
    round (PS3.5 8.1.2)."""
    global ROWS
    ROWS = 8
    s.syntax, s.allocated, s.stored, s.high = ExplicitVRBigEndian, 8, 8, 7
    x = s.values()
    s.values = lambda: x

    def change(k, d):
        w = np.frombuffer(x[k].astype("u1").tobytes(), "<u2").astype(">u2").tobytes()
        d[0x7FE00010] = pydicom.DataElement(0x7FE00010, "OW", w)
    s.change = change
    out = s.single()
    return out


def deflated(s):
    s.syntax = DeflatedExplicitVRLittleEndian
    return s.single()


def no_preamble(s):
    """Implicit little endian without preamble and file meta information."""
    s.syntax = ImplicitVRLittleEndian
    x, files = s.single()
    out = {}
    for name, b in files.items():
        length = int.from_bytes(b[140:144], "little")  # of group 2
        out[name] = b[144 + length:]
    return x, out


def odd_elements(s):
    """Attributes that a reader must pass over: unknown and private sequences,
    an icon with pixels of its own, character sets, overlays, a wrong value
    representation for the spacing, spaces in numbers."""
    def change(k, d):
        d.SpecificCharacterSet = "ISO_IR 166"
        inner = Dataset()
        inner.add_new(0x00091001, "LO", "nothing")
        inner.Rows, inner.Columns, inner.PixelSpacing = 1, 1, [9, 9]
        inner.ImagePositionPatient = [9, 9, 9]
        seq = Sequence([inner, inner])
        icon = Dataset()
        icon.SamplesPerPixel, icon.PhotometricInterpretation, icon.Rows, icon.Columns = 1, "MONOCHROME2", 2, 2
        icon.BitsAllocated, icon.BitsStored, icon.HighBit, icon.PixelRepresentation = 8, 8, 7, 0
        icon[0x7FE00010] = pydicom.DataElement(0x7FE00010, "OB", b"\1\2\3\4")
        d.IconImageSequence = Sequence([icon])
        d[0x00091010] = pydicom.DataElement(0x00091010, "SQ", seq)
        d[0x00091010].is_undefined_length = True
        d.add_new(0x00090010, "LO", "NOBODY")
        d.add_new(0x00091011, "UN", b"\xfe\xff\x00\xe0\xff\xff\xff\xff")
        d[0x00280030] = pydicom.DataElement(0x00280030, "UT", r" 0.4 \ 0.25 ")
        d.add_new(0x60000010, "US", 1)
        d.add_new(0x60003000, "OW", b"\xff\xff")
        d.add_new(0xFFFCFFFC, "OB", b"\0" * 64)
    s.change = change
    return s.single()


def enhanced_shared(s):
    s.signed = True
    return s.enhanced([5, 0, 11, 3, 8, 1, 10, 2, 9, 4, 7, 6], shared=("measures", "orientation", "rescale"))


def enhanced_own(s):
    s.slope = [1 + 0.25 * k for k in range(SLICES)]
    return s.enhanced([11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0], shared=())


def enhanced_conflict(s):
    """The shared groups and the top level say one thing, each frame another:
    the frame's own holds."""
    def change(k, d):
        d.ImagePositionPatient, d.ImageOrientationPatient, d.PixelSpacing = [9, 9, 9], [1, 0, 0, 0, 1, 0], [9, 9]
        g = d.SharedFunctionalGroupsSequence[0]
        o, m = Dataset(), Dataset()
        o.ImageOrientationPatient = [0, 1, 0, 0, 0, 1]
        m.PixelSpacing = [7, 7]
        g.PlaneOrientationSequence, g.PixelMeasuresSequence = Sequence([o]), Sequence([m])
    s.change = change
    return s.enhanced([3, 0, 1, 2, 4, 5, 6, 7, 8, 9, 10, 11], shared=())


def plain_multiframe(s):
    s.signed = True
    return s.plain()


def monochrome1(s):
    def change(k, d):
        d.PhotometricInterpretation = "MONOCHROME1"
    s.change = change
    return s.single()


def disc(s):
    """A disc with a DICOMDIR by dcmmkdir."""
    s.files = ["CT%06d" % (k * 7 % SLICES) for k in range(SLICES)]
    x, files = s.single()
    for n in list(files):
        d = pydicom.dcmread(io.BytesIO(files[n]))
        d.PatientID, d.PatientName = "NOBODY", "NOBODY"
        b = io.BytesIO()
        pydicom.dcmwrite(b, d)
        files[n] = b.getvalue()
    with tempfile.TemporaryDirectory() as t:
        for n, b in files.items():
            open(os.path.join(t, n), "wb").write(b)
        subprocess.run(["dcmmkdir", "+D", os.path.join(t, "DICOMDIR"), "+id", t, *files], check=True, capture_output=True, cwd=t)
        files["DICOMDIR"] = open(os.path.join(t, "DICOMDIR"), "rb").read()
    return x, files


def compressed(command, stored=16, signed=False, allocated=16, decode=None, smooth=False):
    def make(s):
        s.stored, s.high, s.signed, s.allocated, s.smooth = stored, stored - 1, signed, allocated, smooth
        x, files = s.single()
        packed = through(files, *command)
        if decode:
            x, s.slope, s.intercept = decoded(packed, decode)
            # Lossy streams of more bits than are stored go beyond these.
            low = -(1 << stored - 1) if signed else 0
            x = np.clip(x, low, low + (1 << stored) - 1)
        return x, packed
    return make


def jpeg2000_narrow(s):
    """Signed streams of 14 bits under a header that says 16."""
    s.signed, s.syntax = True, "1.2.840.10008.1.2.4.90"
    x = s.rng.integers(-(1 << 13), 1 << 13, (SLICES, ROWS, COLS))
    s.values = lambda: x

    def change(k, d):
        with tempfile.TemporaryDirectory() as t:
            a, c = os.path.join(t, "a.rawl"), os.path.join(t, "c.j2k")
            open(a, "wb").write(x[k].astype("<i2").tobytes())
            subprocess.run(["opj_compress", "-i", a, "-o", c, "-F", "%d,%d,1,14,s" % (COLS, ROWS), "-n", "2"], check=True, capture_output=True)
            d[0x7FE00010] = pydicom.DataElement(0x7FE00010, "OB", pydicom.encaps.encapsulate([open(c, "rb").read()]))
            d[0x7FE00010].is_undefined_length = True
    s.change = change
    return s.single()


for f in (oblique, sagittal, coronal_reversed, feet_first, signed_padding, bits12_overlay, bits12_high, bits10_middle, bytes8,
          rescale_by_slice, big_endian, deflated, no_preamble, odd_elements, enhanced_shared, enhanced_own, enhanced_conflict,
          plain_multiframe, monochrome1, disc):
    case(f.__name__, f)
for bits in (8, 12, 16):
    for signed in (False, True):
        sign = "s" if signed else "u"
        kind = dict(stored=bits, signed=signed, allocated=8 if bits == 8 else 16)
        case("jpeg_lossless_%s%d" % (sign, bits), compressed(["dcmcjpeg", "+e1"], **kind))
        case("jpeg_process14_%s%d" % (sign, bits), compressed(["dcmcjpeg", "+el", "+sv", "6"], **kind))
        case("jpegls_%s%d" % (sign, bits), compressed(["dcmcjpls", "+el"], **kind))
        case("rle_%s%d" % (sign, bits), compressed(["dcmcrle"], **kind))
case("jpegls_near", compressed(["dcmcjpls", "+en", "+md", "3", "+un"], stored=12, decode=["dcmdjpls"]))
case("jpeg_baseline", compressed(["dcmcjpeg", "+eb", "+q", "90", "+un"], stored=8, allocated=8, smooth=True, decode=["dcmdjpeg"]))
case("jpeg_extended", compressed(["dcmcjpeg", "+ee", "+q", "90", "+un"], stored=12, smooth=True, decode=["dcmdjpeg"]))
case("jpegls_gdcm", compressed(["gdcmconv", "--jpegls"]))
case("rle_gdcm", compressed(["gdcmconv", "--rle"], signed=True))
case("big_endian_words8", big_endian_words8)
ROWS, COLS = 17, 19  # gdcm 3.0.21 ends with a fault where JPEG 2000 takes more bytes than the pixels
for bits, signed in ((8, False), (8, True), (10, True), (12, False), (12, True), (16, False), (16, True)):
    case("jpeg2000_%s%d" % ("s" if signed else "u", bits), compressed(["gdcmconv", "--j2k"], stored=bits, signed=signed, allocated=8 if bits == 8 else 16, smooth=True))
case("jpeg2000_narrow", jpeg2000_narrow)
for name, signed in (("jpeg2000_lossy_u12", False), ("jpeg2000_lossy_s12", True)):
    case(name, compressed(["gdcmconv", "--j2k", "--lossy", "-q", "55"], stored=12, signed=signed, decode=["gdcmconv", "--raw"]))

with open(os.path.join(HERE, "reference.json"), "w") as f:
    f.write("{\n" + ",\n".join(json.dumps(k) + ": " + json.dumps(cases[k]) for k in sorted(cases)) + "\n}\n")
