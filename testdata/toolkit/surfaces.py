"""Surface scans side by side with a script of a general-purpose library.

  python3 surfaces.py PLUMBLINE CASES

For each case folder with a surface from before surgery and a truth.json: the surface
scan as it is and the part of it within 25 mm of the site, each in a pose of its file
drawn at random, is laid onto the surface before
  - by Open3D with features (FPFH) and a global start, either fast or by RANSAC, then
    point-to-plane ICP with Tukey's weights on all vertices;
  - by `plumbline measure`, whole case, planning scan included.
Prints the errors of the transform at the placed entry and apex, mm, and processor and
wall seconds. Open3D is held against the surface before as it lies in its file, plumbline
against the planning scan, so that neither has the other's input error. More than 1 mm off
is lost.

Versions: Open3D 0.16.1, numpy 1.24, Python 3.11 (Debian 12). Seeded.
"""

import json
import os
import resource
import subprocess
import sys
import tempfile
import time

import numpy as np
import open3d as o3d

reg = o3d.pipelines.registration
PARTS, POSES, REACH = ("whole", "part"), 1, 25.0
CELL = 0.6  # mm, between points with features


def turned(random):
    q = random.normal(size=4)
    w, x, y, z = q / np.linalg.norm(q)
    m = np.eye(4)
    m[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    m[:3, 3] = random.uniform(-40, 40, 3)
    return m


def cloud(mesh):
    mesh.compute_vertex_normals()
    out = o3d.geometry.PointCloud(mesh.vertices)
    out.normals = mesh.vertex_normals
    return out


def featured(points):
    thin = points.voxel_down_sample(CELL)
    near = o3d.geometry.KDTreeSearchParamHybrid(radius=5 * CELL, max_nn=100)
    return thin, reg.compute_fpfh_feature(thin, near)


def fast(source, target, fs, ft):
    option = reg.FastGlobalRegistrationOption(maximum_correspondence_distance=CELL)
    return reg.registration_fgr_based_on_feature_matching(source, target, fs, ft, option).transformation


def ransac(source, target, fs, ft):
    checks = [reg.CorrespondenceCheckerBasedOnEdgeLength(0.9), reg.CorrespondenceCheckerBasedOnDistance(1.5 * CELL)]
    return reg.registration_ransac_based_on_feature_matching(
        source, target, fs, ft, True, 1.5 * CELL, reg.TransformationEstimationPointToPoint(False), 3, checks,
        reg.RANSACConvergenceCriteria(200000, 0.999)
    ).transformation


def laid(start, after, before):
    """Onto the surface before, from a global start; processor and wall seconds."""
    o3d.utility.random.seed(1)
    wall, busy = time.monotonic(), own()
    source, target = cloud(after), cloud(before)
    (s, fs), (t, ft) = featured(source), featured(target)
    m = start(s, t, fs, ft)
    for reach, scale in ((1.0, 0.2), (0.3, 0.05)):
        method = reg.TransformationEstimationPointToPlane(reg.TukeyLoss(scale))
        m = reg.registration_icp(source, target, reach, m, method).transformation
    return m, own() - busy, time.monotonic() - wall


def own():
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def measured(program, folder):
    wall, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    name = os.path.join(folder, "measured.json")
    done = subprocess.run([program, "measure", "--json", name, folder], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    busy = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    if done.returncode not in (0, 3):
        return None, busy, time.monotonic() - wall
    return json.load(open(name)), busy, time.monotonic() - wall


def at(m, p):
    return (m @ np.append(p, 1))[:3]


def line(who, where, off, busy, wall):
    lost = "  lost" if off is None or max(off) > 1 else ""
    shown = "   -     -  " if off is None else "%6.3f %6.3f" % tuple(off)
    print(f"{where:24s} {who:12s} {shown}  {busy:5.1f} s {wall:5.1f} s{lost}", flush=True)


program, cases = sys.argv[1:3]
print(f"{'':24s} {'':12s}  entry   apex  processor wall")
for case in sorted(os.listdir(cases)):
    folder = os.path.join(cases, case)
    if not os.path.exists(os.path.join(folder, "truth.json")):
        continue
    truth = json.load(open(os.path.join(folder, "truth.json")))
    surface = truth["surface"]
    if not surface.get("before"):
        continue
    random = np.random.default_rng(surface["triangles"])
    site = surface["fixtures"][0]
    ends = [np.array(truth["fixtures"][0]["achieved"][end]) for end in ("entry", "apex")]
    to_pre = np.array(site["T_surface_to_pre_near_fixture"])
    to_file = np.array(surface["before"]["T_true_to_file"])
    mesh = o3d.io.read_triangle_mesh(os.path.join(folder, surface["file"]))
    before = o3d.io.read_triangle_mesh(os.path.join(folder, surface["before"]["file"]))
    before.remove_duplicated_vertices()
    for part in PARTS:
        kept = o3d.geometry.TriangleMesh(mesh)
        kept.remove_duplicated_vertices()
        if part == "part":
            far = np.linalg.norm(np.asarray(kept.vertices) - at(np.linalg.inv(to_pre), ends[0]), axis=1) > REACH
            kept.remove_vertices_by_mask(far)
        for n in range(POSES):
            pose = turned(random)
            after = o3d.geometry.TriangleMesh(kept).transform(pose)
            true = to_pre @ np.linalg.inv(pose)
            where = f"{case} {part} {n + 1}"
            for who, start in (("fast global", fast), ("RANSAC", ransac)):
                m, busy, wall = laid(start, o3d.geometry.TriangleMesh(after), o3d.geometry.TriangleMesh(before))
                back = np.linalg.inv(to_file @ true)
                line(who, where, [np.linalg.norm(at(m @ back, at(to_file, p)) - at(to_file, p)) for p in ends], busy, wall)
            with tempfile.TemporaryDirectory() as work:
                for f in os.listdir(folder):
                    if f not in ("case.toml", "truth.json", surface["file"]):
                        os.symlink(os.path.abspath(os.path.join(folder, f)), os.path.join(work, f))
                after.compute_triangle_normals()
                o3d.io.write_triangle_mesh(os.path.join(work, "turned.stl"), after)
                plan = open(os.path.join(folder, "case.toml")).read().splitlines()
                plan = [x for x in plan if x.split("=")[0].strip() != "post"]  # the surface alone
                plan = [x.replace(surface["file"], "turned.stl") if x.startswith("post_surface") else x for x in plan]
                open(os.path.join(work, "case.toml"), "w").write("\n".join(plan) + "\n")
                got, busy, wall = measured(program, work)
                off = None
                if got:
                    # The scan body's place in the scan is known to micrometres, and how it seats is taken out.
                    f = got["fixtures"][0]["achieved"]
                    seat = np.array(site["T_fixture_to_pre"]) @ np.array(site["T_scanbody_to_fixture"])
                    length = np.linalg.norm(ends[1] - ends[0])
                    seated = [at(seat, (0, 0, 0)), at(seat, (0, 0, -length))]
                    off = [np.linalg.norm(np.array(f[end]) - p) for end, p in zip(("entry", "apex"), seated)]
                line("plumbline", where, off, busy, wall)
