"""Periods of the dips in a star's light curve by astropy's BoxLeastSquares.

Argument: starlight_201367065.csv (days, flux). The curve is divided by its running median over 75 points; after the first
planet's dips are taken out the second is sought, then the third. Prints one line for each: period (days), depth, time
of the first dip (days).

Kovacs, Zucker & Mazeh, Astron. Astrophys. 391 (2002) 369-377, as implemented in astropy.timeseries.
"""

import sys

import numpy as np
from astropy.timeseries import BoxLeastSquares

WINDOW = 75
TRIALS = 20000

t, flux = np.loadtxt(sys.argv[1], delimiter=",", unpack=True)
half = WINDOW // 2
level = np.array([np.median(flux[max(0, k - half) : k + half + 1]) for k in range(len(flux))])
flux = flux / level
keep = np.ones(len(t), bool)
for low, high in [(2.0, 30.0), (20.0, 30.0), (35.0, 60.0)]:
    model = BoxLeastSquares(t[keep], flux[keep])
    periods = 1.0 / np.linspace(1.0 / high, 1.0 / low, TRIALS)
    power = model.power(periods, [0.1, 0.15])
    best = int(np.argmax(power.power))
    period, first = power.period[best], power.transit_time[best]
    print(period, power.depth[best], first)
    away = (t - first + period / 2) % period - period / 2
    keep &= np.abs(away) > 0.2
