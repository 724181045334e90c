"""Two mixtures of normal slopes, after minus before and after over before, and parts from sums of them, by scipy.

Reads no file; the numbers stand here and in tests/leak/reference.rs.
Line 1: mean, standard deviation, 2.5 and 97.5 % quantile of the difference: the cdf summed over pairs of scipy.stats.norm,
        inverted by scipy.optimize.brentq.
Line 2: 2.5 and 97.5 % of the ratio where it is the root in r of P(after - r before < 0), by brentq (Fieller 1954).
Line 3: least-squares parts and their standard deviations by numpy.linalg.lstsq on the whitened rows.
Line 4: probability of each part to be the largest, posterior truncated at zero: 2e6 draws of
        numpy's multivariate normal, those with a negative part left out.
"""

import numpy as np
from scipy import optimize, stats

before = np.array([[0.6, 10.0, 1.0], [0.3, 11.5, 1.4], [0.1, 8.0, 2.0]])
after = np.array([[0.7, 4.0, 0.9], [0.3, 5.5, 0.6]])


def below(x, r):
    """P(after - r before < x)"""
    total = 0.0
    for wb, mb, sb in before:
        for wa, ma, sa in after:
            total += wb * wa * stats.norm.cdf(x, ma - r * mb, np.hypot(sa, r * sb))
    return total


weights = np.outer(before[:, 0], after[:, 0])
means = after[None, :, 1] - before[:, None, 1]
sds = np.hypot(after[None, :, 2], before[:, None, 2])
mean = np.sum(weights * means)
sd = np.sqrt(np.sum(weights * (sds**2 + (means - mean) ** 2)))
ends = [optimize.brentq(lambda x, p=p: below(x, 1.0) - p, -60, 60, xtol=1e-13) for p in (0.025, 0.975)]
print(*(repr(float(v)) for v in (mean, sd, *ends)))
ratios = [optimize.brentq(lambda r, p=p: below(0.0, r) - p, 0.0, 10.0, xtol=1e-13) for p in (0.025, 0.975)]
print(*(repr(float(v)) for v in ratios))

rows = np.array([[1, 1, 1], [0, 1, 1], [1, 0, 1]], float)
y = np.array([6e-4, 3.9e-4, 3.2e-4])
u = np.array([5e-5, 4.5e-5, 6e-5])
white = rows / u[:, None]
parts = np.linalg.lstsq(white, y / u, rcond=None)[0]
cov = np.linalg.inv(white.T @ white)
print(*(repr(float(v)) for v in (*parts, *np.sqrt(np.diag(cov)))))
draws = np.random.default_rng(1).multivariate_normal(parts, cov, size=2_000_000)
draws = draws[(draws >= 0).all(axis=1)]
largest = np.bincount(draws.argmax(axis=1), minlength=3) / len(draws)
print(*(repr(float(v)) for v in largest))
