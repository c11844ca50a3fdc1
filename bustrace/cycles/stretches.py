"""Stretches of cycles in which something holds."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def stretches(
    holds: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Where each unbroken stretch of True begins, and the place after its last.

    Parameters
    ----------
    holds : bool, shape (n,)

    Returns
    -------
    first, end : int64, shape (stretches,)
    """
    edges = np.flatnonzero(np.diff(holds.astype(np.int8), prepend=0, append=0))
    return edges[0::2], edges[1::2]
