"""Quantiles of the t distribution. `scipy.special` alone: `scipy.stats` costs half a second."""

from __future__ import annotations

import math
from functools import lru_cache


@lru_cache(maxsize=1024)
def t_quantile(dof: float, coverage: float = 0.95) -> float:
    """The coverage factor for a two-sided interval (GUM G.3.2, table G.2); `dof` may be infinite.

    Raises `ValueError` unless `dof` is above 0.
    """
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom must be above 0, not {dof!r}")
    from scipy.special import ndtri, stdtrit

    probability = (1 + coverage) / 2
    return float(ndtri(probability) if math.isinf(dof) else stdtrit(dof, probability))
