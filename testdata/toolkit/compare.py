"""Side by side with a script of general-purpose libraries.

  python3 compare.py PLUMBLINE CASES [all]

For each case folder with a truth.json: the rigid transform of the follow-up scan
by elastix (Debian, 5.0) with mutual information, sampled within 17 mm of the
planned fixtures and away from metal, started at the images' middles; and by
`plumbline align`. Prints the target registration error at entry and apex, mm,
and processor seconds. With `all` the toolkit samples the whole planning scan.

Then the whole measurement: the script also reads the scans, takes what is brighter
than Otsu's threshold around the plan, keeps the piece nearest to it, and has its
axis by principal components and its apex as its last voxel; against `plumbline
measure`. Prints processor and wall seconds, and the errors of entry and apex, mm,
and of the axis, degrees.

Versions: elastix 5.0.1, pydicom 2.3, numpy 1.24, scikit-image 0.19, Python 3.11.
"""

import json
import os
import re
import resource
import subprocess
import sys
import tempfile
import time

import numpy as np
import pydicom
import skimage.filters
import skimage.measure


def scan(folder):
    files = [pydicom.dcmread(os.path.join(folder, f)) for f in sorted(os.listdir(folder))]
    row, column = (np.array([float(x) for x in files[0].ImageOrientationPatient[i : i + 3]]) for i in (0, 3))
    assert np.allclose(row, [1, 0, 0]) and np.allclose(column, [0, 1, 0])
    files.sort(key=lambda d: float(d.ImagePositionPatient[2]))
    grey = np.stack([d.pixel_array * float(d.RescaleSlope) + float(d.RescaleIntercept) for d in files])
    z = [float(d.ImagePositionPatient[2]) for d in files]
    spacing = [float(files[0].PixelSpacing[1]), float(files[0].PixelSpacing[0]), (z[-1] - z[0]) / (len(z) - 1)]
    return grey.astype(np.float32), [float(x) for x in files[0].ImagePositionPatient], spacing


def write(name, grey, origin, spacing):
    kind = {"float32": "MET_FLOAT", "uint8": "MET_UCHAR"}[grey.dtype.name]
    grey.tofile(name + ".raw")
    with open(name + ".mhd", "w") as f:
        f.write(
            "ObjectType = Image\nNDims = 3\nBinaryData = True\nBinaryDataByteOrderMSB = False\n"
            f"Offset = {' '.join(map(repr, origin))}\nElementSpacing = {' '.join(map(repr, spacing))}\n"
            f"DimSize = {grey.shape[2]} {grey.shape[1]} {grey.shape[0]}\nElementType = {kind}\n"
            f"ElementDataFile = {os.path.basename(name)}.raw\n"
        )


def seconds(command, **options):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options)
    if done.returncode not in (0, 3):
        sys.exit(done.stdout.decode()[-1500:])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime, done.stdout


def euler(parameters, centre):
    x, y, z = parameters[:3]
    cx, sx, cy, sy, cz, sz = np.cos(x), np.sin(x), np.cos(y), np.sin(y), np.cos(z), np.sin(z)
    rx = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    ry = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    rz = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
    m = np.eye(4)
    m[:3, :3] = rz @ rx @ ry
    m[:3, 3] = np.array(centre) + np.array(parameters[3:]) - m[:3, :3] @ centre
    return m


def errors(pre_to_post, truth):
    post_to_pre = np.array(truth["T_post_to_pre"]).reshape(4, 4)
    out = []
    for f in truth["fixtures"]:
        for end in ("entry", "apex"):
            p = np.append(f["planned"][end], 1)
            out.append(np.linalg.norm((post_to_pre @ pre_to_post @ p - p)[:3]))
    return " ".join(f"{e:.3f}" for e in out)


def metal(post, origin, spacing, planned, length):
    """Entry and apex of the bright piece nearest to the plan, in the follow-up scan."""
    entry, apex = planned
    k, j, i = np.indices(post.shape, sparse=True)
    d = [a * s + o - q for a, s, o, q in zip((i, j, k), spacing, origin, (entry + apex) / 2)]
    near = d[0] ** 2 + d[1] ** 2 + d[2] ** 2 < (length / 2 + 6) ** 2
    bright = near & (post > skimage.filters.threshold_otsu(post[near]))
    pieces = skimage.measure.regionprops(skimage.measure.label(bright))
    place = lambda voxels: voxels[:, ::-1] * spacing + origin
    off = lambda piece: np.linalg.norm(place(piece.coords).mean(0) - (entry + apex) / 2) - 0.001 * piece.area
    points = place(min(pieces, key=off).coords)
    middle = points.mean(0)
    axis = np.linalg.eigh(np.cov((points - middle).T))[1][:, -1]
    axis *= np.sign(axis @ (apex - entry))
    end = ((points - middle) @ axis).max()
    return middle + (end - length) * axis, middle + end * axis


def off(found, fixture):
    true = [np.array(fixture["achieved"][end]) for end in ("entry", "apex")]
    turn = lambda p: (p[1] - p[0]) / np.linalg.norm(p[1] - p[0])
    angle = np.degrees(np.arccos(min(1, turn(found) @ turn(true))))
    return "%.3f %.3f mm %.2f°" % (*(np.linalg.norm(a - b) for a, b in zip(found, true)), angle)


def own():
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


program, cases = sys.argv[1:3]
for case in sorted(os.listdir(cases)):
    folder = os.path.join(cases, case)
    if not os.path.exists(os.path.join(folder, "truth.json")):
        continue
    truth = json.load(open(os.path.join(folder, "truth.json")))
    with tempfile.TemporaryDirectory() as work:
        began, busy = time.monotonic(), own()
        pre, origin, spacing = scan(os.path.join(folder, "pre"))
        near = np.zeros(pre.shape, bool)
        k, j, i = np.indices(pre.shape, sparse=True)
        for f in truth["fixtures"]:
            for t in (0, 0.5, 1):
                p = np.array(f["planned"]["entry"]) * (1 - t) + np.array(f["planned"]["apex"]) * t
                d = [(a * s + o - q) for a, s, o, q in zip((i, j, k), spacing, origin, p)]
                near |= d[0] ** 2 + d[1] ** 2 + d[2] ** 2 < 17**2
        if "all" in sys.argv:
            near[:] = True
        bright = pre > 3000
        write(os.path.join(work, "pre"), pre, origin, spacing)
        write(os.path.join(work, "mask"), (near & ~bright).astype(np.uint8), origin, spacing)
        post, *place = scan(os.path.join(folder, "post"))
        write(os.path.join(work, "post"), np.minimum(post, 3000), *place)
        write(os.path.join(work, "postmask"), (post < 3000).astype(np.uint8), *place)
        rigid = os.path.join(os.path.dirname(os.path.abspath(__file__)), "rigid.txt")
        took, _ = seconds(
            ["elastix", "-f", "pre.mhd", "-m", "post.mhd", "-fMask", "mask.mhd", "-mMask", "postmask.mhd", "-p", rigid, "-out", "."], cwd=work
        )
        result = open(os.path.join(work, "TransformParameters.0.txt")).read()
        numbers = lambda key: [float(x) for x in re.search(rf"\({key} ([^)]*)\)", result).group(1).split()]
        toolkit = euler(numbers("TransformParameters"), numbers("CenterOfRotationPoint"))
        print(f"{case:16s} elastix   {took:6.1f} s  {errors(toolkit, truth)}", flush=True)
        there = lambda m, p: (m @ np.append(p, 1))[:3]
        found = []
        for f in truth["fixtures"]:
            plan = [there(toolkit, f["planned"][end]) for end in ("entry", "apex")]
            ends = metal(post, *place, plan, f["length_mm"])
            found.append([there(np.linalg.inv(toolkit), p) for p in ends])
        script = took + own() - busy, time.monotonic() - began, [off(p, f) for p, f in zip(found, truth["fixtures"])]
        took, out = seconds([program, "align", "--json", os.path.join(folder, "case.toml")])
        ours = np.linalg.inv(np.array(json.loads(out)["post_to_pre"]).reshape(4, 4))
        print(f"{'':16s} plumbline {took:6.1f} s  {errors(ours, truth)}", flush=True)
        began, name = time.monotonic(), os.path.join(work, "measured.json")
        took, _ = seconds([program, "measure", "--json", name, os.path.join(folder, "case.toml")])
        whole = time.monotonic() - began
        measured = {f["site"]: f["achieved"] for f in json.load(open(name))["fixtures"]}
        ends = [[np.array(measured[str(f["site"])][end]) for end in ("entry", "apex")] for f in truth["fixtures"]]
        ours = took, whole, [off(p, f) for p, f in zip(ends, truth["fixtures"])]
        for who, (busy, wall, errs) in (("script", script), ("plumbline", ours)):
            print(f"{'':16s} {who:9s} measures: {busy:6.1f} s of processor, {wall:6.1f} s  {'; '.join(errs)}", flush=True)
