"""Spacing of the magnets on a shaft by the published Bayesian geometry compensation.

Diamond, Heyns & Oberholster, Mech. Syst. Signal Process. 81 (2016) 402-418, as implemented in the PyPI package
bladesight 0.17.0 (MIT): beta 1e10, sigma 0.01. The package and what it needs take about 1 GB, so its answers are
committed as a table. To make the table again:

    cargo test --test roll write_spacing -- --ignored          # edges and truth, only if they are to change
    python3 -m venv venv && venv/bin/pip install bladesight==0.17.0
    venv/bin/python tests/reference/spacing.py                 # from the root of the project

Reads tests/data/spacing_edges.csv (record,t_us: 60 turns of 8 magnets and one edge more), writes
tests/data/spacing_published.csv (record,magnet,spacing_turns; from the first edge's magnet on, sum 1).
"""

import csv

import numpy as np
from bladesight.ias.geometry_compensation import perform_bayesian_geometry_compensation

MAGNETS = 8
TURNS = 60

records = {}
with open("tests/data/spacing_edges.csv", newline="") as file:
    for row in csv.DictReader(file):
        records.setdefault(int(row["record"]), []).append(int(row["t_us"]))

with open("tests/data/spacing_published.csv", "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow(["record", "magnet", "spacing_turns"])
    for record, t_us in records.items():
        t = (np.array(t_us) - t_us[0]) * 1e-6
        arc = perform_bayesian_geometry_compensation(t, MAGNETS, TURNS, beta=1e10, sigma=0.01)
        for magnet, turns in enumerate(arc / (2 * np.pi)):
            out.writerow([record, magnet, f"{turns:.9f}"])
