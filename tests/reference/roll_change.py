"""Ranges of a change of the hit rate, by scipy: the numbers in the tests of src/measure/roll/rate.rs.

A side that shows a snag is normal; one that shows none has a posterior on evenly spaced rates from 0 to 1 (41 of them).
Usage: roll_change.py
"""

import numpy as np
from scipy import optimize, stats

# both sides shown: 0.62 -+ 0.13 before, 0.31 -+ 0.12 after
d, u = 0.31 - 0.62, np.hypot(0.13, 0.12)
print("normal", *stats.norm.interval(0.95, d, u))
print("shown often", stats.norm.ppf(0.975) + stats.norm.ppf(0.8))

# none seen after: weights exp(-30 h) against 0.5 -+ 0.11 before
rates = np.linspace(0, 1, 41)
weights = np.exp(-30 * rates)
weights /= weights.sum()


def below(x, sign):
    return float(np.sum(weights * stats.norm.cdf(x, sign * (rates - 0.5), 0.11)))


for sign in (1, -1):
    ends = [optimize.brentq(lambda x: below(x, sign) - q, -3, 3, xtol=1e-12) for q in (0.025, 0.975)]
    print("mixed", sign, *ends)
mean = float(np.sum(weights * rates))
print("moments", mean, float(np.sqrt(np.sum(weights * (rates - mean) ** 2))))
