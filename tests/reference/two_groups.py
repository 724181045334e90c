"""Two groups of pulls by published statistics: Student's two-sample interval of the mean, and analysis of covariance.

two_groups.py CSV, with columns group (0 before, 1 after), ln_cadence, ln_peak (invented numbers).

Line 1: difference of the means of ln_peak and its 95 % interval, scipy.stats.ttest_ind, equal variances.
Line 2: shift between two parallel least-squares lines ln_peak on ln_cadence and its 95 % interval (numpy's lstsq, the
        covariance s2 (X'X)^-1 with n - 3 degrees of freedom), then their slope.
Line 3: scipy.stats.t.ppf at 0.975 and 0.8 for 3, 7, 12.5 and 40 degrees of freedom.
"""

import sys

import numpy as np
from scipy import stats

group, x, p = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1, unpack=True)
before, after = p[group == 0], p[group == 1]
interval = stats.ttest_ind(after, before, equal_var=True).confidence_interval(0.95)
print(*(repr(float(v)) for v in (after.mean() - before.mean(), interval.low, interval.high)))

design = np.column_stack([np.ones_like(x), group, x])
fit = np.linalg.lstsq(design, p, rcond=None)[0]
dof = len(x) - 3
s2 = np.sum((p - design @ fit) ** 2) / dof
reach = stats.t.ppf(0.975, dof) * np.sqrt(s2 * np.linalg.inv(design.T @ design)[1, 1])
print(*(repr(float(v)) for v in (fit[1], fit[1] - reach, fit[1] + reach, fit[2])))

print(*(repr(float(stats.t.ppf(q, dof))) for q in (0.975, 0.8) for dof in (3, 7, 12.5, 40)))
