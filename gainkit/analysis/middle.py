"""Medians of finite figures. numpy's own load its masked arrays first and look for NaN, which takes longer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def median(values: Floats) -> float:
    """Of (n,) finite values, (1,) or more."""
    return float(medians(values, 0))


def medians(values: Floats, axis: int) -> Floats:
    """Along one axis of finite values, of which there is at least one."""
    count = values.shape[axis]
    low, high = (count - 1) // 2, count // 2
    parted = np.partition(values, (low, high), axis=axis)
    return np.asarray((parted.take(low, axis) + parted.take(high, axis)) / 2)
