"""Peaks of a real quasi-periodic waveform by scipy.signal.find_peaks.

Prints the indices of the peaks with a prominence of at least 1 mV on one line, the distances of the peaks of
samples 2000 to 4000 (find_peaks(distance=150), the example of scipy's own documentation) on the next, then the whole
waveform, one value in mV a line.
"""

import sys

import numpy as np
from scipy.signal import find_peaks

with np.load(sys.argv[1]) as packed:
    ecg = (packed["ecg"].astype(float) - 1024) / 200.0
print(*find_peaks(ecg, prominence=1)[0])
print(*np.diff(find_peaks(ecg[2000:4000], distance=150)[0]))
for value in ecg:
    print(repr(float(value)))
