"""Broken files for fuzzing the readers, and how many: ``TASTEFIELD_FUZZ`` multiplies the budget."""

import os

import numpy as np

TIMES = int(os.environ.get("TASTEFIELD_FUZZ", "1"))


def broken(whole, seed):
    """The bytes of a file with some of them changed, cut, doubled or swapped."""
    rng = np.random.default_rng(seed)
    data = bytearray(whole)
    for _ in range(rng.integers(1, 6)):
        at, until = sorted(rng.integers(0, len(data) + 1, 2).tolist())
        kind = rng.integers(0, 5)
        if kind == 0 and data:
            data[min(at, len(data) - 1)] = rng.integers(0, 256)
        elif kind == 1:
            del data[at : min(until, at + 40)]
        elif kind == 2:
            data[at:at] = rng.bytes(rng.integers(1, 9))
        elif kind == 3:
            data[at:at] = data[at : min(until, at + 200)]
        else:
            data = data[: max(until, 1)]
    return bytes(data)
