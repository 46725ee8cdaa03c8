# Makes sampled.csv: clearances between a fixture's envelope and a centre line,
# a triangle and another fixture, by sampling both surfaces densely and asking a
# k-d tree for the nearest pair. With samples h apart on each surface the
# distance d comes out too large by up to about h²/d, 0.005 mm here.
# Made with Python 3.11, numpy 1.24.2, scipy 1.10.1:  python3 sampled.py
import numpy as np
from scipy.spatial import cKDTree

rng = np.random.default_rng(6)
STEP = 0.05


def frame(axis):
    helper = np.array([1.0, 0, 0]) if abs(axis[0]) < 0.9 else np.array([0, 1.0, 0])
    e1 = helper - helper @ axis * axis
    e1 /= np.linalg.norm(e1)
    return e1, np.cross(axis, e1)


def envelope(entry, apex, diameter, taper, rounding):
    """Samples of the surface: the outline's points turned about the axis."""
    length = np.linalg.norm(apex - entry)
    r, flat = diameter / 2, diameter / 2 * taper - rounding
    # The hull of the platform's disc and a circle: its outline is the upper
    # boundary of the hull of rim and circle, found by brute force over normals.
    arc = [(flat + rounding * np.cos(t), length - rounding + rounding * np.sin(t)) for t in np.linspace(-np.pi / 2, np.pi / 2, 1001)]
    points = np.array([(r, 0.0)] + arc)
    angles = np.linspace(-np.pi / 2, np.pi / 2, 5001)
    normals = np.stack([np.cos(angles), np.sin(angles)], 1)
    hull = points[np.unique((normals @ points.T).argmax(1))]
    hull = hull[np.argsort(hull[:, 1])]
    corners = np.vstack([[0, 0], hull, [0, length]])
    outline = [corners[0]]
    for a, b in zip(corners[:-1], corners[1:]):
        n = max(1, int(np.ceil(np.linalg.norm(b - a) / STEP)))
        outline += [a + (b - a) * i / n for i in range(1, n + 1)]
    outline = np.array(outline)
    axis = (apex - entry) / length
    e1, e2 = frame(axis)
    out = []
    for rho, z in outline:
        n = max(1, int(np.ceil(2 * np.pi * rho / STEP)))
        t = 2 * np.pi * np.arange(n) / n
        out.append(entry + z * axis + rho * (np.cos(t)[:, None] * e1 + np.sin(t)[:, None] * e2))
    return np.vstack(out)


def chain(points, radii, a):
    """Least distance of samples a from a centre line, less the radius."""
    best = np.inf
    for i in range(len(points) - 1):
        t = np.linspace(0, 1, 601)
        c = points[i] + t[:, None] * (points[i + 1] - points[i])
        r = radii[i] + t * (radii[i + 1] - radii[i])
        best = min(best, (cKDTree(a).query(c)[0] - r).min())
    return best


def triangle(p, a):
    n = int(max(np.linalg.norm(p[1] - p[0]), np.linalg.norm(p[2] - p[0])) / STEP) + 1
    i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1))
    keep = i + j <= n
    u, v = i[keep] / n, j[keep] / n
    s = p[0] + u[:, None] * (p[1] - p[0]) + v[:, None] * (p[2] - p[0])
    return cKDTree(a).query(s)[0].min()


def unit():
    v = rng.normal(size=3)
    return v / np.linalg.norm(v)


rows = []
while len(rows) < 18:
    kind = ["chain", "triangle", "fixture"][len(rows) % 3]
    entry = rng.uniform(-30, 30, 3)
    length = rng.choice([8.0, 10.0, 11.5])
    apex = entry + length * unit()
    d, taper, rounding = rng.choice([3.5, 4.1, 5.0]), rng.choice([1.0, 0.8]), rng.choice([0.0, 0.5, 0.9])
    size = [d, taper, rounding]
    entry, apex = np.round(entry, 4), np.round(apex, 4)
    surface = envelope(entry, apex, *size)
    at = entry + rng.uniform(0, 1.3) * (apex - entry) + rng.uniform(4, 7) * unit()
    if kind == "chain":
        p = np.round([at - 6 * unit(), at, at + 6 * unit()], 4)
        r = np.round(rng.uniform(0.8, 1.8, 3), 3)
        value, body = chain(p, r, surface), [*p.ravel(), *r]
    elif kind == "triangle":
        p = np.round([at + 3 * unit() for _ in range(3)], 4)
        value, body = triangle(p, surface), [*p.ravel()]
    else:
        p = np.round([at, at + 10 * unit()], 4)
        size2 = [rng.choice([3.5, 4.1, 5.0]), rng.choice([1.0, 0.8]), rng.choice([0.0, 0.5, 0.9])]
        value = cKDTree(surface).query(envelope(p[0], p[1], *size2))[0].min()
        body = [*p.ravel(), *size2]
    if value > 0.4:  # the samples tell nothing of an overlap
        rows.append([kind, *entry, *apex, *size, "%.4f" % value, *body])

with open("sampled.csv", "w") as f:
    f.write("# numpy 1.24.2, scipy 1.10.1 cKDTree, sampled.py\n")
    f.write("# kind, entry x3, apex x3, diameter, taper, round, clearance, then: points x3 and radii | corners x3 | entry, apex, diameter, taper, round\n")
    for row in rows:
        f.write(",".join(str(x) for x in row) + "\n")
