"""Weighted rigid fits of random point pairs, by scipy's align_vectors.

Run from this folder: python3 landmarks_scipy.py > landmarks_scipy.csv
"""
import numpy
import scipy
from scipy.spatial.transform import Rotation

rng = numpy.random.default_rng(20260314)
print(f"# random weighted landmark pairs; scipy {scipy.__version__} Rotation.align_vectors, "
      f"numpy {numpy.__version__}; landmarks_scipy.py")
print("# pair,set,weight,pre x,y,z,post x,y,z")
print("# fit,set,rotation post to pre row by row,translation,weighted root sum of squares")
for k in range(24):
    n = 3 + k % 8
    post = rng.uniform(-40, 40, (n, 3))
    truth = Rotation.random(random_state=rng.integers(1 << 30))
    noise = [0, 0.01, 0.3, 5][k % 4]
    pre = truth.apply(post) + rng.uniform(-100, 100, 3) + rng.normal(0, noise, (n, 3))
    if k % 6 == 5:
        pre[:, 0] *= -1  # a mirrored set: the best rotation is not the best orthogonal matrix
    weight = rng.uniform(0.2, 5, n) if k % 3 else numpy.ones(n)
    cpre = weight @ pre / weight.sum()
    cpost = weight @ post / weight.sum()
    fit, rssd = Rotation.align_vectors(pre - cpre, post - cpost, weight)
    r = fit.as_matrix()
    t = cpre - r @ cpost
    for w, p, q in zip(weight, pre, post):
        print(",".join(["pair", str(k)] + [repr(float(x)) for x in (w, *p, *q)]))
    print(",".join(["fit", str(k)] + [repr(float(x)) for x in (*r.ravel(), *t, rssd)]))
