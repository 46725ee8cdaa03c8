# Writes factors.csv: one-sided and two-sided tolerance factors by another program.
import math, scipy
from scipy import stats, integrate, optimize
print("# normal tolerance factors,scipy %s (nct.ppf; ncx2.ppf and quad),factors.py" % scipy.__version__)
print("n,coverage,confidence,one_sided,two_sided")
def two(n, p, g):
    nu = n - 1
    def conf(k):
        def f(z):
            m = z / math.sqrt(n)
            r2 = stats.ncx2.ppf(p, 1, m * m) if m > 0 else stats.chi2.ppf(p, 1)
            return stats.chi2.sf(nu * r2 / k**2, nu) * 2 * stats.norm.pdf(z)
        return integrate.quad(f, 0, 8, limit=200, epsabs=1e-10)[0]
    return optimize.brentq(lambda k: conf(k) - g, .1, 1000, xtol=1e-8)
for n in (2, 3, 5, 8, 12, 20, 30, 50, 100, 300):
    for p in (.9, .95, .99):
        for g in (.5, .9, .95, .99):
            one = stats.nct.ppf(g, n - 1, stats.norm.ppf(p) * math.sqrt(n)) / math.sqrt(n)
            print("%d,%g,%g,%.7f,%.7f" % (n, p, g, one, two(n, p, g)))
