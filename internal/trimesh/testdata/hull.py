# Makes hull.stl and hull.csv: the convex hull of 60 points, with volume and
# area as Qhull states them through scipy.spatial.ConvexHull.
# Made with Python 3.11, numpy 1.24.2, scipy 1.10.1:  python3 hull.py
import numpy as np
from scipy.spatial import ConvexHull

rng = np.random.default_rng(20)
points = np.round(rng.normal(size=(60, 3)) * [8, 5, 12] + [-24, 10, 5], 3)
hull = ConvexHull(points)
with open("hull.stl", "w") as f:
    f.write("solid hull of 60 points\n")
    for t, plane in zip(hull.simplices, hull.equations):
        a, b, c = points[t]
        if np.dot(np.cross(b - a, c - a), plane[:3]) < 0:
            b, c = c, b
        f.write("facet normal %.6f %.6f %.6f\n outer loop\n" % tuple(plane[:3]))
        for p in (a, b, c):
            f.write("  vertex %.3f %.3f %.3f\n" % tuple(p))
        f.write(" endloop\nendfacet\n")
    f.write("endsolid hull of 60 points\n")
with open("hull.csv", "w") as f:
    f.write("# scipy 1.10.1 ConvexHull (Qhull), hull.py\ntriangles,vertices,volume\n")
    f.write("%d,%d,%.12g\n" % (len(hull.simplices), len(hull.vertices), hull.volume))
