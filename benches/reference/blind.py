"""Period search of an even series: astropy's BoxLeastSquares at given trial periods, and riptide's fast folding.

Arguments: file of 64-bit floats (scores, then as many informations), file of trial periods in bins, shortest whole period.
Prints `name seconds`, best of several. BoxLeastSquares has one duration, one bin. riptide folds the scores alone (32-bit, no
information) at every whole period from the shortest to twice that, and takes the best bin of each profile.
"""

import sys
import time

import numpy as np
from astropy.timeseries import BoxLeastSquares


def best(call, quick):
    seconds = []
    end = time.perf_counter() + (0.0 if quick else 2.0)
    while len(seconds) < (2 if quick else 3) or time.perf_counter() < end:
        start = time.perf_counter()
        call()
        seconds.append(time.perf_counter() - start)
    return min(seconds)


score, information = np.fromfile(sys.argv[1]).reshape(2, -1)
periods = np.fromfile(sys.argv[2])
shortest = int(np.fromfile(sys.argv[3])[0])
quick = "--quick" in sys.argv
bins = np.arange(score.size, dtype=float)
model = BoxLeastSquares(bins, -score / information, 1.0 / np.sqrt(information))
print("BoxLeastSquares", best(lambda: model.power(periods, 1.0), quick))

try:
    from riptide import libffa
except ImportError:
    sys.exit()
series = score.astype(np.float32)


def fold():
    for p in range(shortest, 2 * shortest):
        libffa.boxcar_snr(libffa.ffa1(series, p), np.array([1]))


print("riptide", best(fold, quick))
