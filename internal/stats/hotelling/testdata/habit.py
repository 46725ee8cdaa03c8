# Writes habit.json: 25 drawn offsets (mm) and, by numpy and scipy 1.10.1, T², its
# p-value, the t intervals, Holm's p-values and the two ellipses of the first two
# parts (half-axes from the eigenvalues).
import json, math, numpy as np, scipy
from scipy import stats

rng = np.random.default_rng(11)
n, p = 25, 3
x = np.round(rng.multivariate_normal([0.35, -0.1, 0.2], [[.25, .08, .02], [.08, .16, -.03], [.02, -.03, .2]], n), 3)
m, s = x.mean(0), np.cov(x.T)
t2 = n * m @ np.linalg.solve(s, m)
f = t2 * (n - p) / (p * (n - 1))
half = stats.t.ppf(.975, n - 1) * np.sqrt(np.diag(s) / n)
single = [stats.ttest_1samp(x[:, i], 0).pvalue for i in range(p)]
order = np.argsort(single)
holm, top = [0] * p, 0
for k, i in enumerate(order):
    top = max(top, min(1, single[i] * (p - k)))
    holm[i] = top
val, vec = np.linalg.eigh(s[:2, :2])
c = 2 * (n - 1) / (n - 2) * stats.f.ppf(.95, 2, n - 2)
turn = math.degrees(math.atan2(vec[1, 1], vec[0, 1]))
turn = (turn + 90) % 180 - 90
d = [(r - m) @ np.linalg.solve(s, r - m) for r in x]
far = int(np.argmax(d))
y = np.delete(x, far, 0)
m2, s2, k = y.mean(0), np.cov(y.T), n - 1
g = k * m2 @ np.linalg.solve(s2, m2) * (k - p) / (p * (k - 1))
json.dump({"program": "scipy %s, numpy %s, habit.py" % (scipy.__version__, np.__version__), "x": x.tolist(),
           "t2": t2, "f": f, "p": stats.f.sf(f, p, n - p), "low": (m - half).tolist(), "high": (m + half).tolist(), "holm": holm,
           "mean_axes": np.sqrt(val[::-1] * c / n).tolist(), "next_axes": np.sqrt(val[::-1] * c * (1 + 1 / n)).tolist(), "turn": turn,
           "farthest": far + 1, "p_without": stats.f.sf(g, p, k - p)}, open("habit.json", "w"), indent=1)
