"""Folding of a loss density with numpy at every order and phase that the roll measure tries.

Arguments: file of 64-bit floats (bins a turn, turns, then the density), file of orders (order, phases, order, ...).
Prints `name seconds`, best of several: the fold (each phase's trains gathered and summed, best phase taken), the same with
every bin's phase computed and the bins counted by phase (`bincount`), and the fold with a mixture over ten depths and six hit
rates as the measure has it. Everything within an order is one array.
"""

import sys
import time

import numpy as np

density = np.fromfile(sys.argv[1])
per_turn, turns = density[:2]
density = density[2:]
orders = np.fromfile(sys.argv[2]).reshape(-1, 2)
quick = "--quick" in sys.argv
information = np.ones_like(density)
scale = density.std()
depths = 0.15 * 1.6 ** np.arange(10) * scale / scale
rates = np.array([0.06, 0.12, 0.25, 0.45, 0.7, 1.0])
score = density / scale


def trains(order, phases):
    """Index of every event of every phase: turns of the part by phases."""
    phases = int(phases)
    count = int(turns * order)
    step = per_turn / order
    first = np.arange(phases) * (step / phases)
    bins = (np.arange(count)[:, None] * step + first).astype(np.int64)
    return np.minimum(bins, density.size - 1)


def fold(order, phases):
    bins = trains(order, phases)
    u, i = score[bins].sum(0), information[bins].sum(0)
    return (u / np.sqrt(i)).max()


angle = (np.arange(density.size) + 0.5) / per_turn


def binned(order, phases):
    phases = int(phases)
    turn = angle * order
    turn -= np.floor(turn)  # turn % 1, several times faster
    bins = (turn * phases).astype(np.int64)
    u = np.bincount(bins, score, phases)
    i = np.bincount(bins, information, phases)
    return (u / np.sqrt(np.maximum(i, 1e-300))).max()


def mixture(order, phases):
    bins = trains(order, phases)
    u, i = score[bins], information[bins]
    best = -np.inf
    for depth in depths:
        gain = np.exp(np.minimum(30.0, depth * u - depth * depth / 2 * i))
        for rate in rates:
            best = max(best, np.log1p(rate * (gain - 1.0)).sum(0).max())
    return best


def best_of(call, calls):
    took = []
    for _ in range(calls):
        begin = time.perf_counter()
        for order, phases in orders:
            call(order, phases)
        took.append(time.perf_counter() - begin)
    return min(took)


print("numpy: fold of the same orders and phases", best_of(fold, 1 if quick else 3))
print("numpy: phase and bincount of the same orders, no mixture", best_of(binned, 1 if quick else 3))
if quick:
    orders = orders[:20]
print("numpy: fold and mixture of each", best_of(mixture, 1))
