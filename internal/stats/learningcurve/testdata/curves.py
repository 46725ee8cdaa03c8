# Writes curves.json: learning curves fitted by another program, scipy 1.10.1
# (curve_fit with the weights of each round, brentq for the scatter), to two drawn
# series of 30 cases with given uncertainties, one of each shape.
import json, math, numpy as np, scipy
from scipy import optimize, stats

n = 30
x = np.arange(1, n + 1)

def scatter(y, u, level, df):
    f = lambda q: np.sum((y - level) ** 2 / (u ** 2 + q)) - df
    return optimize.brentq(f, 1e-12, 100, xtol=1e-14)

def aicc(y, u, level, q, k):
    v = u ** 2 + q
    d = np.sum((y - level) ** 2 / v + np.log(v) + math.log(2 * math.pi))
    return d + 2 * k + 2 * k * (k + 1) / (n - k - 1)

def series(rng, name, f, truth, start):
    y = np.round(f(x, *truth) * rng.normal(1, 0.2, n) + rng.normal(0, 0.05, n), 3)
    u = np.round(0.05 + 0.3 * rng.random(n), 3)
    mean = np.full(n, y.mean())
    for _ in range(3):
        q = scatter(y, u, mean, n - 1)
        w = 1 / (u ** 2 + q)
        level = mean
        mean = np.full(n, np.sum(w * y) / np.sum(w))
    out = {"y": y.tolist(), "u": u.tolist(),
           "flat": {"plateau": mean[0], "scatter": math.sqrt(q), "aicc": aicc(y, u, level, q, 2)}}
    for _ in range(3):
        b, cov = optimize.curve_fit(f, x, y, start, sigma=1 / np.sqrt(w), xtol=1e-14, ftol=1e-14, gtol=1e-14)
        q = scatter(y, u, f(x, *b), n - 3)
        w = 1 / (u ** 2 + q)
    out[name] = {"start": b[0] + b[1], "plateau": b[0], "rate": b[2], "scatter": math.sqrt(q), "aicc": aicc(y, u, f(x, *b), q, 4)}
    first, last = y[:10], y[20:]
    va, vb = first.var(ddof=1) / 10, last.var(ddof=1) / 10
    h = stats.t.ppf(.975, (va + vb) ** 2 / (va ** 2 / 9 + vb ** 2 / 9)) * math.sqrt(va + vb)
    d = last.mean() - first.mean()
    out["change"] = {"diff": d, "low": d - h, "high": d + h}
    return out

rng = np.random.default_rng(7)
out = {"program": "scipy %s, numpy %s, curves.py" % (scipy.__version__, np.__version__), "series": [
    series(rng, "exponential", lambda x, p, d, r: p + d * np.exp(-(x - 1) / r), (0.9, 1.6, 6), (1, 1, 5)),
    series(rng, "power law", lambda x, p, d, r: p + d * x ** -r, (0.8, 2.0, 1.2), (1, 1, 1))]}
json.dump(out, open("curves.json", "w"), indent=1)
