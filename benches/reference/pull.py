"""scipy.signal.find_peaks alone on the readings of a pull session: no base, no pulls, no intervals.

Argument: file of 64-bit floats (newtons). Prints `name seconds`, best of several.
"""

import sys
import time

import numpy as np
from scipy.signal import find_peaks


def best(call, quick):
    seconds = []
    end = time.perf_counter() + (0.0 if quick else 2.0)
    while len(seconds) < (2 if quick else 5) or time.perf_counter() < end:
        start = time.perf_counter()
        call()
        seconds.append(time.perf_counter() - start)
    return min(seconds)


force = np.fromfile(sys.argv[1])
quick = "--quick" in sys.argv
level = 0.25 * force.max()
print("find_peaks, prominence", best(lambda: find_peaks(force, prominence=level), quick))
print("find_peaks, defaults", best(lambda: find_peaks(force), quick))
