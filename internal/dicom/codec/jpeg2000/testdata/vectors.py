"""Makes vectors.csv: small JPEG 2000 frames and the samples they must decode to.

Encoders: OpenJPEG 2.5.0 (opj_compress), gdcm 3.0.21 (gdcmconv, with OpenJPEG
2.5.0) and FFmpeg 5.1.9 (its own encoder). What must come out is, with the
reversible transform, what opj_decompress makes of a stream, to the bit; with the
irreversible one, up to 1 from that. Of 16 bits it is up to 1 from what FFmpeg's
own decoder makes of it: OpenJPEG 2.5.0 scales the high pass by 1.625732422 where
the standard has 2/K = 1.625786132, which moves samples of 16 bits by up to 3, and
away from the original.

Run: python3 vectors.py (needs pydicom 2.3, numpy 1.24 and the tools above).
"""
import base64
import hashlib
import pathlib
import subprocess
import tempfile
import zlib

import numpy as np
import pydicom
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.encaps import decode_data_sequence

HERE = pathlib.Path(__file__).parent
TMP = pathlib.Path(tempfile.mkdtemp())
HEADER = ("# source: synthetic slices coded by OpenJPEG 2.5.0, gdcm 3.0.21 and FFmpeg 5.1.9; script: vectors.py\n"
          "name,columns,rows,precision,signed,lossy,sha256_of_little_endian_16_bit_words,stream_base64,words_zlib_base64_if_irreversible\n")


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


def run(*command):
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{command}: {done.stdout[-300:]} {done.stderr[-300:]}")


def openjpeg(v, bits, signed, options, ending="j2k"):
    source, target = TMP / "source.rawl", TMP / ("coded." + ending)
    v.astype(("<i" if signed else "<u") + ("1" if bits <= 8 else "2")).tofile(source)
    run("opj_compress", "-i", source, "-o", target, "-F", f"{v.shape[1]},{v.shape[0]},1,{bits},{'s' if signed else 'u'}", *options.split())
    return target.read_bytes()


def depth_at(stream):
    """Where SIZ says how many bits a sample has, and whether there is a sign."""
    return stream.index(b"\xff\x51") + 40


def openjpeg_decoded(stream, rows, columns):
    source, target = TMP / ("stream.jp2" if stream[4:8] == b"jP  " else "stream.j2k"), TMP / "decoded.rawl"
    source.write_bytes(stream)
    run("opj_decompress", "-i", source, "-o", target)
    kind = "<u1" if stream[depth_at(stream)] & 127 < 8 else "<u2"
    return np.fromfile(target, kind).reshape(rows, columns).astype(np.int64)


def gdcm(v, bits, signed, options):
    allocated = 8 if bits <= 8 else 16
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.7", "2.25.1"
    meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    ds = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, "2.25.1"
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.Modality = "2.25.2", "2.25.3", "OT"
    ds.Rows, ds.Columns = v.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = allocated, bits, bits - 1, int(signed)
    raw = (v & ((1 << allocated) - 1)).astype(f"<u{allocated // 8}").tobytes()
    ds.PixelData = raw + bytes(len(raw) % 2)
    ds["PixelData"].VR = "OW" if allocated == 16 else "OB"
    ds.is_little_endian, ds.is_implicit_VR = True, False
    source, target = TMP / "native.dcm", TMP / "coded.dcm"
    ds.save_as(source, write_like_original=False)
    run("gdcmconv", *options.split(), "-i", source, "-o", target)
    return b"".join(decode_data_sequence(pydicom.dcmread(target).PixelData))


def ffmpeg(v, bits, options, ending="j2k"):
    kind = "gray" if bits == 8 else "gray16le"
    source, target = TMP / "source.raw", TMP / ("coded." + ending)
    v.astype("u1" if bits == 8 else "<u2").tofile(source)
    run("ffmpeg", "-y", "-f", "rawvideo", "-pix_fmt", kind, "-s", f"{v.shape[1]}x{v.shape[0]}", "-i", source,
        "-c:v", "jpeg2000", "-format", ending, *options.split(), "-frames:v", "1", "-f", "image2", target)
    return target.read_bytes()


def ffmpeg_decoded(stream, rows, columns):
    """Of 16 bits without sign."""
    source, target = TMP / "stream.j2k", TMP / "decoded.raw"
    source.write_bytes(stream)
    run("ffmpeg", "-y", "-i", source, "-f", "rawvideo", "-pix_fmt", "gray16le", target)
    return np.fromfile(target, "<u2").reshape(rows, columns).astype(np.int64)


lines, streams = [], set()


def add(name, v, bits, signed, stream, irreversible, lossy=None):
    if stream in streams:
        return  # two encoders agreed to the byte
    streams.add(stream)
    out = openjpeg_decoded(stream, *v.shape)
    if lossy is None:
        lossy = irreversible or ((out ^ v) & ((1 << bits) - 1)).any()
    depth = stream[depth_at(stream)]
    precision = (depth & 127) + 1
    assert depth >> 7 == signed, name
    kept = b""
    if irreversible:
        if precision == 16 and not signed:
            out = ffmpeg_decoded(stream, *v.shape)
        assert precision < 16 or not signed, "no reference for this"
    words = (out & ((1 << precision) - 1)).astype("<u2").tobytes()
    if irreversible:
        kept = base64.b64encode(zlib.compress(words, 9))
    lines.append(f"{name},{v.shape[1]},{v.shape[0]},{precision},{signed},{str(bool(lossy)).lower()},"
                 f"{hashlib.sha256(words).hexdigest()},{base64.b64encode(stream).decode()},{kept.decode()}\n")


KINDS = [(8, 0), (8, 1), (10, 0), (10, 1), (12, 0), (12, 1), (16, 0), (16, 1)]
ORDERS = ["LRCP", "RLCP", "RPCL", "PCRL", "CPRL"]


def kind(bits, signed):
    return f"{bits}-bit-{'signed' if signed else 'unsigned'}"


def one(name, options, bits=12, signed=0, rows=29, columns=37, ending="j2k", lossy=None):
    if "-n " not in options:
        options += " -n 5"  # the most that OpenJPEG allows for 29 rows
    v = phantom(bits, signed, rows, columns)
    add(name, v, bits, signed, openjpeg(v, bits, signed, options, ending), "-I" in options.split(), lossy)


for bits, signed in KINDS:
    one(f"reversible-openjpeg-{kind(bits, signed)}", "", bits, signed)
    one(f"reversible-openjpeg-rate-6-{kind(bits, signed)}", "-r 6", bits, signed)
    v = phantom(bits, signed)
    stream = gdcm(v, bits, signed, "--j2k")
    add(f"reversible-gdcm-{kind(bits, signed)}", v, bits, signed, stream, False)
    if bits < 16 or not signed:
        one(f"irreversible-openjpeg-{kind(bits, signed)}", "-I", bits, signed)
        one(f"irreversible-openjpeg-rate-5-{kind(bits, signed)}", "-I -r 5", bits, signed)
for bits, signed in ((8, 1), (12, 0), (16, 0)):
    v = phantom(bits, signed)
    for name, options in (("irreversible-gdcm-rate-4", "-Y --irreversible -r 4"), ("reversible-gdcm-lossy-quality-40", "-Y -q 40")):
        add(f"{name}-{kind(bits, signed)}", v, bits, signed, gdcm(v, bits, signed, "--j2k " + options), "--irreversible" in options)
for order in ORDERS:
    one(f"{order}-layers-precincts", f"-p {order} -r 20,5,1 -c [32,16],[16,16],[8,8] -n 4 -SOP", 10, 0, 53, 61)
    one(f"{order}-tiles-at-an-offset", f"-p {order} -r 10,1 -t 24,31 -d 13,7 -T 5,3 -c [8,16] -n 3 -EPH -PLT", 8, 1, 53, 61)
    one(f"{order}-small-precincts", f"-p {order} -c [8,8],[4,8],[2,4],[2,2] -b 4,4 -n 4 -r 8,1", 12, 0)
    one(f"{order}-irreversible-tiles", f"-p {order} -I -r 10,3 -t 20,17 -n 3 -SOP -EPH", 12, 1)
for style in (1, 2, 4, 5, 8, 9, 16, 32, 36, 45, 63):
    one(f"style-{style}-layers", f"-M {style} -r 15,4,1 -b 32,16", 16, 1)
    if style in (1, 4, 8, 32, 63):
        one(f"style-{style}-irreversible", f"-M {style} -r 6,2 -I -b 16,16", 12, 0)
for block in ("4,4", "4,1024", "1024,4", "8,64", "16,4"):
    one(f"block-{block.replace(',', 'x')}", f"-b {block}", 10, 0)
for rows, columns in ((1, 1), (1, 9), (9, 1), (2, 33), (3, 5)):
    one(f"size-{columns}x{rows}-one-resolution", "-n 1", 12, 1, rows, columns)
    one(f"size-{columns}x{rows}-off-the-origin", f"-n {2 if min(rows, columns) > 1 else 1} -d 3,5", 8, 0, rows, columns)
one("size-64x64-flat-parts", "-n 7 -b 16,16", 12, 0, 64, 64)
one("size-33x65-odd-tiles-irreversible", "-n 3 -I -t 9,7 -T 2,1 -d 3,5", 10, 0, 65, 33)
for division in "RL":
    one(f"tile-parts-{division}", f"-TP {division} -r 8,1 -t 24,24 -n 4 -TLM")
one("progression-changes", "-POC T1=0,0,2,3,1,CPRL/T1=3,0,2,5,1,RLCP -r 10,1 -c [16,16]")
one("region-shift-3", "-ROI c=0,U=3", lossy=True)  # OpenJPEG leaves out the passes below, which only it can know to be empty
one("region-shift-7-irreversible", "-ROI c=0,U=7 -I")
one("guard-bits-4", "-GuardBits 4")
one("comment", "-C note")
one("boxes", "", ending="jp2")
for bits in (8, 16):
    for number, (order, options) in enumerate(zip(ORDERS, ("", "-sop 1 -eph 1", "-tile_width 32 -tile_height 16", "-layer_rates 20,8,2", ""))):
        v = phantom(bits, 0)
        for wavelet in ("dwt53", "dwt97int")[:2 if number in (0, 2) else 1]:
            ending = "jp2" if number == 4 else "j2k"
            stream = ffmpeg(v, bits, f"-pred {wavelet} -prog {order.lower()} {options}", ending)
            add(f"ffmpeg-{wavelet[:5]}-{order}-{bits}-bit", v, bits, 0, stream, wavelet != "dwt53")

(HERE / "vectors.csv").write_text(HEADER + "".join(lines))
print(len(lines), "vectors")
