"""scipy.optimize.curve_fit with its covariance on the readings of a hold, and the same with 200 resamples (residuals drawn
anew): what an interval from the data would cost.

Argument: file of 64-bit floats, times (s) then pressures (Pa). Prints `name seconds`, best of several. The first line is
what one types: the exponential without start values (with an offset that fails: 800 calls are not enough). The others are
told where to start; `its bootstrap` starts at the fit and has the Jacobian, so it is as quick as it can be, and the bootstrap as
one types it calls the first line again for every resample.
"""

import sys
import time

import numpy as np
from scipy.optimize import curve_fit

values = np.fromfile(sys.argv[1])
t, p = np.split(values, 2)
quick = "--quick" in sys.argv


def decay(t, a, k, c):
    return a * np.exp(-k * t) + c


def slopes(t, a, k, c):
    e = np.exp(-k * t)
    return np.column_stack((e, -a * t * e, np.ones_like(t)))


def to_zero(t, a, k):
    return a * np.exp(-k * t)


def settling(t, a, k, b, m, c):
    """What the record looks like from the end of pumping on: the gas settles while the tank leaks."""
    return a * np.exp(-k * t) + b * np.exp(-m * t) + c


def fit_both(p, start):
    return curve_fit(settling, t, p, p0=start)


def fit(p, start, **more):
    return curve_fit(decay, t, p, p0=start, **more)


def bootstrap(resamples):
    random = np.random.default_rng(1)
    best, _ = fit(p, start, jac=slopes)
    smooth = decay(t, *best)
    residuals = p - smooth
    rates = []
    for _ in range(resamples):
        drawn = smooth + random.choice(residuals, residuals.size)
        a, k, _ = fit(drawn, best, jac=slopes)[0]
        rates.append(a * k)
    return np.percentile(rates, [2.5, 97.5])


def typed_bootstrap(resamples):
    random = np.random.default_rng(1)
    smooth = to_zero(t, *curve_fit(to_zero, t, p)[0])
    residuals = p - smooth
    rates = []
    for _ in range(resamples):
        a, k = curve_fit(to_zero, t, smooth + random.choice(residuals, residuals.size))[0]
        rates.append(a * k)
    return np.percentile(rates, [2.5, 97.5])


def best_of(call, seconds):
    took = []
    end = time.perf_counter() + (0.0 if quick else seconds)
    while len(took) < (1 if quick else 3) or time.perf_counter() < end:
        begin = time.perf_counter()
        call()
        took.append(time.perf_counter() - begin)
    return min(took)


start = (p[0] - p[-1], 2.0 / t[-1], p[-1])
print("curve_fit A exp(-kt), its own start", best_of(lambda: curve_fit(to_zero, t, p), 2.0))
print("curve_fit A exp(-kt) + c, good start", best_of(lambda: fit(p, start), 2.0))
both = (start[0], start[1], 0.05 * p[0], 0.5, start[2])
print("curve_fit A exp(-kt) + B exp(-mt) + c, good start", best_of(lambda: fit_both(p, both), 2.0))
resamples = 10 if quick else 200
took = best_of(lambda: bootstrap(resamples), 2.0) * 200 / resamples
print("its bootstrap interval, 200 resamples", took)
took = best_of(lambda: typed_bootstrap(resamples), 2.0) * 200 / resamples
print("the bootstrap as one types it: curve_fit A exp(-kt), its own start each time, no Jacobian, 200 resamples", took)
