"""Makes testdata/rle, testdata/jpeg and testdata/jpegls/vectors.csv: small coded
frames and the SHA-256 of the samples they must decode to.

Encoders: dcmtk 3.6.7 (dcmcrle, dcmcjpeg, dcmcjpls), gdcm 3.0.21 (gdcmconv) and
CharLS 2.4.1 (the library, through ctypes). Lossless frames must give back what was
coded; lossy ones what dcmdjpeg, or CharLS, makes of them. Frames with restart
markers are joined from frames that were coded apart, since coding starts anew behind
each marker, and are decoded by dcmdjpeg or CharLS too before they are kept.

Run: python3 codec_vectors.py (needs pydicom 2.3, numpy 1.24 and the tools above).
"""
import base64
import ctypes
import hashlib
import pathlib
import subprocess
import tempfile

import numpy as np
import pydicom
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.encaps import decode_data_sequence, encapsulate

HERE = pathlib.Path(__file__).parent
TMP = pathlib.Path(tempfile.mkdtemp())
HEADER = ("# source: synthetic slices coded by dcmtk 3.6.7, gdcm 3.0.21 and CharLS 2.4.1; script: testdata/codec_vectors.py\n"
          "name,columns,rows,bits_allocated,precision,lossy,sha256_of_little_endian_16_bit_samples,stream_base64\n")


def phantom(bits, signed, rows=29, columns=37):
    """A slice with air, tissue with noise, metal at the top of the range, a flat
    rim at its bottom and rows of noise over the whole range."""
    rng = np.random.default_rng(1000 * bits + signed)
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    y, x = np.mgrid[0:rows, 0:columns]
    r = np.hypot((x - columns / 2) / (columns * 0.42), (y - rows / 2) / (rows * 0.42))
    v = np.full((rows, columns), low + (high - low) * 0.05)
    tissue = low + (high - low) * (0.3 + 0.2 * np.cos(3 * r)) + rng.normal(0, (high - low) * 0.004, v.shape)
    v[r < 1] = tissue[r < 1]
    v[(abs(x - columns * 0.6) < 3) & (abs(y - rows * 0.5) < 5)] = high
    if rows > 8 and columns > 8:
        v[rows - 4:] = low
        v[1:3, 1:columns - 1] = rng.integers(low, high + 1, (2, columns - 2))
    return np.clip(np.rint(v), low, high).astype(np.int64)


def dataset(v, bits, signed, allocated=None):
    allocated = allocated or (8 if bits <= 8 else 16)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.7"
    meta.MediaStorageSOPInstanceUID = "2.25.1"
    meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    ds = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, "2.25.1"
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.Modality = "2.25.2", "2.25.3", "OT"
    ds.Rows, ds.Columns = v.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = allocated, bits, bits - 1, int(signed)
    raw = words(v, allocated).astype(f"<u{allocated // 8}").tobytes()
    ds.PixelData = raw + bytes(len(raw) % 2)
    ds["PixelData"].VR = "OW" if allocated == 16 else "OB"
    ds.is_little_endian, ds.is_implicit_VR = True, False
    return ds


def words(v, allocated):
    return (np.asarray(v) & ((1 << allocated) - 1)).astype("<u2")


def run(command, source, target):
    flags = command.split()
    gdcm = flags[0] == "gdcmconv"
    done = subprocess.run(flags + (["-i", source, "-o", target] if gdcm else [source, target]), capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{command}: {done.stderr[:200]}")


def coded(command, v, bits, signed):
    """The frame that a command-line encoder makes of v."""
    source, target = TMP / "native.dcm", TMP / "coded.dcm"
    dataset(v, bits, signed).save_as(source, write_like_original=False)
    run(command, source, target)
    ds = pydicom.dcmread(target)
    return b"".join(decode_data_sequence(ds.PixelData)), ds


def reference(stream, like, tool="dcmdjpeg +cn"):
    """What the reference decoder makes of a stream; like is a dataset of its kind."""
    source, target = TMP / "stream.dcm", TMP / "decoded.dcm"
    like.PixelData = encapsulate([stream])
    like["PixelData"].is_undefined_length = True
    like.save_as(source, write_like_original=False)
    run(tool, source, target)
    ds = pydicom.dcmread(target)
    raw = np.frombuffer(ds.PixelData, f"<u{ds.BitsAllocated // 8}")[:ds.Rows * ds.Columns]
    return raw.astype("<u2").reshape(ds.Rows, ds.Columns)


class Table:
    def __init__(self, codec):
        self.codec, self.lines, self.streams = codec, [], set()

    def add(self, name, samples, allocated, precision, lossy, stream):
        if stream in self.streams:
            return  # two encoders agreed to the byte
        self.streams.add(stream)
        rows, columns = samples.shape
        digest = hashlib.sha256(samples.astype("<u2").tobytes()).hexdigest()
        self.lines.append(f"{name},{columns},{rows},{allocated},{precision},{str(lossy).lower()},{digest},{base64.b64encode(stream).decode()}\n")

    def write(self):
        (HERE / self.codec).mkdir(exist_ok=True)
        (HERE / self.codec / "vectors.csv").write_text(HEADER + "".join(self.lines))
        print(self.codec, len(self.lines), "vectors")


KINDS = [(8, 0), (8, 1), (10, 0), (12, 0), (12, 1), (16, 0), (16, 1)]
SIZES = [(1, 1), (1, 9), (9, 1), (8, 16), (2, 33)]  # rows, columns


def kind(bits, signed):
    return f"{bits}-bit-{'signed' if signed else 'unsigned'}"


def rle():
    table = Table("rle")
    for bits, signed in KINDS:
        v, allocated = phantom(bits, signed), 8 if bits == 8 else 16
        table.add("dcmtk-" + kind(bits, signed), words(v, allocated), allocated, allocated, False, coded("dcmcrle", v, bits, signed)[0])
        if allocated == 16:  # gdcm 3.0.21 stops with an assertion on 8-bit images of odd width
            table.add("gdcm-" + kind(bits, signed), words(v, allocated), allocated, allocated, False, coded("gdcmconv -R", v, bits, signed)[0])
    for rows, columns in SIZES:
        v = phantom(12, 0, rows, columns)
        table.add(f"dcmtk-{columns}x{rows}", words(v, 16), 16, 16, False, coded("dcmcrle", v, 12, 0)[0])
    table.write()


def segments(stream):
    """The stream up to the entropy-coded data, those data, and the end marker."""
    at = 2
    while stream[at + 1] != 0xDA:
        at += 2 + int.from_bytes(stream[at + 2:at + 4], "big")
    start = at + 2 + int.from_bytes(stream[at + 2:at + 4], "big")
    end = stream.rindex(b"\xff\xd9")
    while stream[end - 1] == 0xFF:
        end -= 1
    return stream[:at], stream[at:start], stream[start:end]


def joined(parts, rows, columns, interval):
    """One stream with restart markers from streams of its restart intervals."""
    head, scan, _ = segments(parts[0])
    at = 2
    while head[at + 1] not in (0xC0, 0xC1, 0xC3, 0xF7):
        at += 2 + int.from_bytes(head[at + 2:at + 4], "big")
    head = bytearray(head)
    head[at + 5:at + 9] = rows.to_bytes(2, "big") + columns.to_bytes(2, "big")
    tables = [segments(p)[0][:at] + segments(p)[0][at + 9:] for p in parts]
    assert all(t == tables[0] for t in tables), "the parts differ in their tables"
    body = b""
    for i, p in enumerate(parts):
        body += (b"" if i == 0 else bytes([0xFF, 0xD0 + (i - 1) % 8])) + segments(p)[2]
    return bytes(head) + b"\xff\xdd\x00\x04" + interval.to_bytes(2, "big") + scan + body + b"\xff\xd9"


def jpeg():
    table = Table("jpeg")
    for bits, signed in KINDS:
        v, p = phantom(bits, signed), 8 if bits == 8 else 16
        for name, command in (("dcmtk", "dcmcjpeg +e1"), ("gdcm", "gdcmconv -J")):
            table.add(f"lossless-{name}-sv1-{kind(bits, signed)}", words(v, p), p, p, False, coded(command, v, bits, signed)[0])
    for sv in range(2, 8):
        for bits, signed in ((8, 0), (12, 0), (16, 1)):
            v, p = phantom(bits, signed), 8 if bits == 8 else 16
            table.add(f"lossless-dcmtk-sv{sv}-{kind(bits, signed)}", words(v, p), p, p, False, coded(f"dcmcjpeg +el +sv {sv}", v, bits, signed)[0])
    for sv, point in ((1, 1), (4, 2), (6, 4), (7, 7)):
        v = phantom(16, 0)
        stream, ds = coded(f"dcmcjpeg +el +sv {sv} +pt {point}", v, 16, 0)
        table.add(f"lossless-dcmtk-sv{sv}-point-transform-{point}", reference(stream, ds), 16, 16, True, stream)
    for rows, columns in SIZES:
        v = phantom(12, 0, rows, columns)
        table.add(f"lossless-dcmtk-{columns}x{rows}", words(v, 16), 16, 16, False, coded("dcmcjpeg +el +sv 6", v, 12, 0)[0])
    for bits, signed, sv in ((12, 0, 1), (16, 1, 7)):  # equal parts, for equal tables
        part = phantom(bits, signed, 3)
        v = np.vstack([part] * 11)
        made = [coded(f"dcmcjpeg +el +sv {sv}", part, bits, signed) for _ in range(11)]
        stream = joined([m[0] for m in made], *v.shape, 3 * v.shape[1])
        made[0][1].Rows = v.shape[0]
        assert (reference(stream, made[0][1]) == words(v, 16)).all()
        table.add(f"lossless-restart-3-rows-sv{sv}-{kind(bits, signed)}", words(v, 16), 16, 16, False, stream)

    v = phantom(8, 0)
    for name, command in [(f"baseline-dcmtk-q{q}", f"dcmcjpeg +eb +q {q}") for q in (20, 90, 100)] + [
            ("baseline-dcmtk-standard-tables", "dcmcjpeg +eb -ho"), ("extended-dcmtk-8-bit-q75", "dcmcjpeg +ee +q 75"),
            ("baseline-gdcm-q95", "gdcmconv -J -Y -q 95")]:
        stream, ds = coded(command, v, 8, 0)
        table.add(name, reference(stream, ds), 8, 8, True, stream)
    for bits, signed in ((10, 0), (12, 0), (12, 1), (16, 0)):
        for q in (20, 90, 100):
            stream, ds = coded(f"dcmcjpeg +ee +q {q}", phantom(bits, signed), bits, signed)
            table.add(f"extended-dcmtk-12-bit-q{q}-of-{kind(bits, signed)}", reference(stream, ds), 16, 12, True, stream)
    for rows, columns in SIZES:
        stream, ds = coded("dcmcjpeg +ee", phantom(12, 0, rows, columns), 12, 0)
        table.add(f"extended-dcmtk-{columns}x{rows}", reference(stream, ds), 16, 12, True, stream)
    rows, columns = v.shape
    full = np.pad(v, ((0, -rows % 8), (0, -columns % 8)), mode="edge")
    blocks = [full[y:y + 8, x:x + 8] for y in range(0, full.shape[0], 8) for x in range(0, full.shape[1], 8)]
    made = [coded("dcmcjpeg +eb -ho +q 90", np.hstack(blocks[i:i + 3]), 8, 0) for i in range(0, len(blocks), 3)]
    # The last interval is shorter; its part's width is the only other difference.
    parts = [m[0] for m in made]
    stream = joined(parts, rows, columns, 3)
    like = made[0][1]
    like.Rows, like.Columns = rows, columns
    table.add("baseline-restart-3-blocks", reference(stream, like), 8, 8, True, stream)
    part = phantom(12, 0, 8, 40)
    made = [coded("dcmcjpeg +ee", part, 12, 0) for _ in range(10)]
    stream = joined([m[0] for m in made], 80, 40, 5)
    made[0][1].Rows = 80
    table.add("extended-restart-5-blocks", reference(stream, made[0][1]), 16, 12, True, stream)
    table.write()


charls = ctypes.CDLL("libcharls.so.2")
for f in ("encoder", "decoder"):
    getattr(charls, f"charls_jpegls_{f}_create").restype = ctypes.c_void_p


class FrameInfo(ctypes.Structure):
    _fields_ = [("width", ctypes.c_uint32), ("height", ctypes.c_uint32), ("bits", ctypes.c_int32), ("components", ctypes.c_int32)]


class Preset(ctypes.Structure):
    _fields_ = [(n, ctypes.c_int32) for n in ("maximum", "t1", "t2", "t3", "reset")]


def check(status):
    assert status == 0, f"CharLS error {status}"


def charls_coded(v, bits, near=0, preset=None):
    raw = v.astype("u1" if bits <= 8 else "<u2").tobytes()
    out = ctypes.create_string_buffer(4 * len(raw) + 1000)
    e = ctypes.c_void_p(charls.charls_jpegls_encoder_create())
    size = ctypes.c_size_t()
    check(charls.charls_jpegls_encoder_set_destination_buffer(e, out, ctypes.c_size_t(len(out))))
    check(charls.charls_jpegls_encoder_set_frame_info(e, ctypes.byref(FrameInfo(v.shape[1], v.shape[0], bits, 1))))
    check(charls.charls_jpegls_encoder_set_near_lossless(e, near))
    if preset:
        check(charls.charls_jpegls_encoder_set_preset_coding_parameters(e, ctypes.byref(Preset(*preset))))
    check(charls.charls_jpegls_encoder_encode_from_buffer(e, raw, ctypes.c_size_t(len(raw)), 0))
    check(charls.charls_jpegls_encoder_get_bytes_written(e, ctypes.byref(size)))
    charls.charls_jpegls_encoder_destroy(e)
    return out.raw[:size.value]


def charls_decoded(stream, rows, columns, bits):
    wide = 1 if bits <= 8 else 2
    out = ctypes.create_string_buffer(rows * columns * wide)
    d = ctypes.c_void_p(charls.charls_jpegls_decoder_create())
    check(charls.charls_jpegls_decoder_set_source_buffer(d, stream, ctypes.c_size_t(len(stream))))
    check(charls.charls_jpegls_decoder_read_header(d))
    check(charls.charls_jpegls_decoder_decode_to_buffer(d, out, ctypes.c_size_t(len(out)), 0))
    charls.charls_jpegls_decoder_destroy(d)
    return np.frombuffer(out.raw, f"<u{wide}").astype("<u2").reshape(rows, columns)


def jpegls():
    table = Table("jpegls")
    for bits, signed in KINDS:
        v, p = phantom(bits, signed), 8 if bits == 8 else 16
        for name, command in (("dcmtk", "dcmcjpls +el"), ("gdcm", "gdcmconv -L")):
            table.add(f"lossless-{name}-{kind(bits, signed)}", words(v, p), p, p, False, coded(command, v, bits, signed)[0])
    for bits in range(2, 17):
        v, p = phantom(bits, 0), 8 if bits <= 8 else 16
        table.add(f"lossless-charls-{bits}-bit", words(v, p), p, bits, False, charls_coded(v, bits))
    for bits in (8, 12, 16):
        for near in (1, 2, 3, 10, 100):
            v, p = phantom(bits, 0), 8 if bits == 8 else 16
            stream = charls_coded(v, bits, near)
            got = charls_decoded(stream, *v.shape, bits)
            assert abs(got.astype(int) - v).max() <= near
            table.add(f"near-{near}-charls-{bits}-bit", got, p, bits, True, stream)
    for near in (1, 5):
        v = phantom(12, 0)
        stream = coded(f"dcmcjpls +en +md {near}", v, 12, 0)[0]
        table.add(f"near-{near}-dcmtk-12-bit-unsigned", charls_decoded(stream, *v.shape, 12), 16, 12, True, stream)
    for preset in ((4095, 5, 40, 300, 12), (0, 100, 100, 101, 255), (4095, 18, 67, 276, 3)):
        v = phantom(12, 0)
        table.add("preset-" + "-".join(map(str, preset)), words(v, 16), 16, 12, False, charls_coded(v, 12, 0, preset))
    for rows, columns in SIZES + [(40, 700)]:
        v = phantom(12, 0, rows, columns)
        if columns == 700:  # long runs, over the ends of rows
            v[:] = 100
            v[20, 350] = 900
        table.add(f"lossless-charls-{columns}x{rows}", words(v, 16), 16, 12, False, charls_coded(v, 12))
    for bits, near, interval in ((8, 0, 1), (12, 0, 4), (16, 3, 10)):
        v, p = phantom(bits, 0), 8 if bits == 8 else 16
        stream = joined([charls_coded(v[y:y + interval], bits, near) for y in range(0, len(v), interval)], *v.shape, interval)
        got = charls_decoded(stream, *v.shape, bits)
        assert abs(got.astype(int) - v).max() <= near
        table.add(f"restart-{interval}-rows-near-{near}-{bits}-bit", got, p, bits, near > 0, stream)
    table.write()


rle()
jpeg()
jpegls()
