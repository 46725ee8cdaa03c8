# Makes overlaps.csv: clearances of a fixture's envelope from closed surfaces, from
# fixtures and centre lines that it runs into, and from bodies that lie all inside
# one another. Depths are those of the deepest of dense samples of the envelope's
# body, which half-spaces or the outline tell to be inside the other one, to the
# nearest of dense samples of that one's surface, by a k-d tree. With samples h
# apart a depth d is off by up to about h²/(2d), 0.005 mm here.
# Made with Python 3.11, numpy 1.24.2, scipy 1.10.1:  python3 overlaps.py
import numpy as np
from scipy.spatial import ConvexHull, cKDTree

STEP = 0.05
rng = np.random.default_rng(60)


def frame(axis):
    helper = np.array([1.0, 0, 0]) if abs(axis[0]) < 0.9 else np.array([0, 1.0, 0])
    e1 = helper - helper @ axis * axis
    e1 /= np.linalg.norm(e1)
    return e1, np.cross(axis, e1)


def outline(length, diameter, rounding):
    """Corners of a straight outline with a rounded apical edge: radius, height."""
    r = diameter / 2
    arc = [(r - rounding + rounding * np.cos(t), length - rounding + rounding * np.sin(t)) for t in np.linspace(0, np.pi / 2, 60)]
    return np.array([(0.0, 0.0), (r, 0.0)] + arc + [(0.0, length)])


def turned(dots, entry, axis, step=STEP):
    e1, e2 = frame(axis)
    out = []
    for rho, z in dots:
        n = max(1, int(np.ceil(2 * np.pi * rho / step)))
        t = 2 * np.pi * np.arange(n) / n
        out.append(entry + z * axis + rho * (np.cos(t)[:, None] * e1 + np.sin(t)[:, None] * e2))
    return np.vstack(out)


def surface(f):
    entry, apex, diameter, rounding = f
    length = np.linalg.norm(apex - entry)
    corners = outline(length, diameter, rounding)
    dots = [corners[0]]
    for a, b in zip(corners[:-1], corners[1:]):
        n = max(1, int(np.ceil(np.linalg.norm(b - a) / STEP)))
        dots += [a + (b - a) * i / n for i in range(1, n + 1)]
    return turned(dots, entry, (apex - entry) / length)


def body(f):
    """Samples within, on grid of 0.1 mm in the half plane, the axis among them."""
    entry, apex, diameter, rounding = f
    length = np.linalg.norm(apex - entry)
    rho, z = np.meshgrid(np.arange(0, diameter / 2, 0.1), np.arange(0.05, length, 0.1))
    dots = np.stack([rho.ravel(), z.ravel()], 1)
    axis = (apex - entry) / length
    every = turned(dots, entry, axis, 0.1)
    return every[inside(f, every)]


def inside(f, p):
    entry, apex, diameter, rounding = f
    length = np.linalg.norm(apex - entry)
    axis = (apex - entry) / length
    z = (p - entry) @ axis
    rho = np.linalg.norm(p - entry - z[:, None] * axis, axis=1)
    reach = np.full(len(p), diameter / 2)
    if rounding > 0:
        u = np.clip((z - length + rounding) / rounding, 0, 1)
        reach += rounding * (np.sqrt(1 - u * u) - 1)
    return (z >= 0) & (z <= length) & (rho <= reach)


def facets(radii, centre, n):
    """An ellipsoid with n rings of n corners, as meridians and parallels lay them."""
    polar, turn = np.pi * np.arange(n + 1) / n, 2 * np.pi * np.arange(n) / n
    p = [centre + radii * np.array([np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)]) for a in polar[1:-1] for b in turn]
    return ConvexHull(np.array(p + [centre + radii * [0, 0, 1], centre - radii * [0, 0, 1]]))


def mesh(hull, f):
    outside = np.vstack([surface(f), body(f)])
    deepest = min((part @ hull.equations[:, :3].T + hull.equations[:, 3]).max(1).min() for part in np.array_split(outside, 40))
    if deepest < 0:  # in a convex body the nearest plane is the nearest facet
        return deepest
    tree, best = cKDTree(outside), np.inf
    for corners in hull.points[hull.simplices]:
        middle, size = corners.mean(0), np.ptp(corners, 0).max()
        if tree.query(middle)[0] > best + size:
            continue
        m = int(size / STEP) + 1
        i, j = np.meshgrid(np.arange(m + 1), np.arange(m + 1))
        keep = i + j <= m
        u, v = i[keep][:, None] / m, j[keep][:, None] / m
        best = min(best, tree.query(corners[0] + u * (corners[1] - corners[0]) + v * (corners[2] - corners[0]))[0].min())
    return best


def fixture(g, f):
    mine = np.vstack([surface(f), body(f)])
    deep = mine[inside(g, mine)]
    tree = cKDTree(surface(g))
    if len(deep) == 0:
        return tree.query(mine)[0].min()
    # The depth has a crease on the other one's axis, so look closer there.
    near = deep[tree.query(deep)[0].argmax()]
    cube = np.stack(np.meshgrid(*3 * [np.arange(-0.1, 0.101, 0.01)]), -1).reshape(-1, 3) + near
    cube = cube[inside(g, cube) & inside(f, cube)]
    return -max(tree.query(deep)[0].max(), tree.query(cube)[0].max())


def chain(points, radii, f):
    tree, best = cKDTree(surface(f)), np.inf
    for a, b, ra, rb in zip(points[:-1], points[1:], radii[:-1], radii[1:]):
        t = np.linspace(0, 1, 2001)
        line = a + t[:, None] * (b - a)
        gap = np.where(inside(f, line), 0, tree.query(line)[0])
        best = min(best, (gap - ra - t * (rb - ra)).min())
    return best


def unit():
    v = rng.normal(size=3)
    return v / np.linalg.norm(v)


def some():
    entry = np.round(rng.uniform(-30, 30, 3), 3)
    return entry, np.round(entry + rng.choice([8.0, 10.0]) * unit(), 3), rng.choice([3.5, 4.1, 5.0]), rng.choice([0.5, 0.9])


rows = []


def row(kind, f, value, *other):
    rows.append(",".join(str(x) for x in [kind, *f[0], *f[1], f[2], f[3], "%.4f" % value, *np.concatenate([np.ravel(o) for o in other])]))


for ahead in (1.5, 0.6, -0.5, -1.5, -3.0):
    f = some()
    axis = (f[1] - f[0]) / np.linalg.norm(f[1] - f[0])
    radii = np.round(rng.uniform(5, 9, 3), 3)
    centre = np.round(f[1] + (ahead + radii.mean()) * (axis + 0.3 * unit()), 3)
    row("ellipsoid", f, mesh(facets(radii, centre, 24), f), radii, centre)
f = some()
row("ellipsoid", f, mesh(facets(np.array([20.0, 22, 18]), f[0], 24), f), [20.0, 22, 18], f[0])  # all inside
for apart in (1.0, 2.2, 3.0):
    f, g = some(), some()
    shift = np.round((f[0] + f[1]) / 2 + apart * unit() - (g[0] + g[1]) / 2, 3)
    g = (g[0] + shift, g[1] + shift, g[2], g[3])
    row("fixture", f, fixture(g, f), g[0], g[1], g[2:])
f = some()
row("fixture", f, fixture(f, f), f[0], f[1], f[2:])  # coincident
small = (np.round(f[0] + 0.3 * (f[1] - f[0]), 3), np.round(f[0] + 0.7 * (f[1] - f[0]), 3), 1.5, 0.3)
row("fixture", f, fixture(small, f), small[0], small[1], small[2:])  # one inside the other
row("fixture", small, fixture(f, small), f[0], f[1], f[2:])
for beside in (0.0, 2.0, 2.6, 3.2):
    f = some()
    at = f[0] + rng.uniform(0.3, 0.9) * (f[1] - f[0]) + beside * unit()
    points = np.round([at - 6 * unit(), at, at + 6 * unit()], 3)
    radii = np.round(rng.uniform(0.8, 1.6, 3), 3)
    row("chain", f, chain(points, radii, f), points, radii)
f = some()
at = np.round(f[0] + 3 * unit(), 3)
row("chain", f, chain(np.array([at, at, at]), np.ones(3), f), [at, at, at], np.ones(3))  # without a length

with open("overlaps.csv", "w") as out:
    out.write("# numpy 1.24.2, scipy 1.10.1 ConvexHull and cKDTree, overlaps.py\n")
    out.write("# kind, entry x3, apex x3, diameter, round, clearance, then: radii x3, centre x3 | entry, apex, diameter, round | points x3, radii x3\n")
    out.write("\n".join(rows) + "\n")
