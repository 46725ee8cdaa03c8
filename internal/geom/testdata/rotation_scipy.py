"""Rotation vectors, their matrices, compositions and points moved, by scipy.

Run from this folder: python3 rotation_scipy.py > rotation_scipy.csv
"""
import numpy
import scipy
from scipy.spatial.transform import Rotation

rng = numpy.random.default_rng(20260405)
print(f"# scipy {scipy.__version__} Rotation, numpy {numpy.__version__}; rotation_scipy.py")
print("# rotation vector x,y,z (rad), its matrix row by row, translation x,y,z, point x,y,z, "
      "the point moved x,y,z, angle of the rotation, rotation vector of (this after the line before) x,y,z")
before = Rotation.identity()
angles = [0, 1e-9, 1e-6, 9e-5, 1.1e-4, 1e-3, 0.1, 1, 2, 3, numpy.pi - 1e-3, numpy.pi - 1e-5]
for k in range(36):
    axis = rng.normal(size=3)
    axis /= numpy.linalg.norm(axis)
    if k < 3:
        axis = numpy.eye(3)[k]
    vector = axis * (angles[k] if k < len(angles) else rng.uniform(0, numpy.pi))
    turn = Rotation.from_rotvec(vector)
    shift, point = rng.uniform(-100, 100, 3), rng.uniform(-100, 100, 3)
    row = [*vector, *turn.as_matrix().ravel(), *shift, *point, *(turn.apply(point) + shift), turn.magnitude(),
           *(turn * before).as_rotvec()]
    print(",".join(repr(float(x)) for x in row))
    before = turn
