"""Quantiles of the t distribution. `scipy.special` alone: `scipy.stats` costs half a second.

To 12 digits: the last ones differ between versions of scipy and between machines, and a recording
is to give the same result on all of them.
"""

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
    import scipy.special as special

    probability = (1 + coverage) / 2
    value = (
        special.ndtri(probability) if math.isinf(dof) else special.stdtrit(float(dof), probability)
    )
    return _portable(value)


@lru_cache(maxsize=1024)
def poisson_limits(seen: int, risk: float) -> tuple[float, float]:
    """Lower and upper limit of the expected number of events, each wrong with `risk` at most.

    Exact, from the chi-square distribution (Garwood 1936, from memory). Nothing seen gives an
    upper limit of -ln(risk): 3.0 at 5 %.
    """
    from scipy.special import gammaincinv

    lower = _portable(gammaincinv(seen, risk)) if seen else 0.0
    return lower, _portable(gammaincinv(seen + 1, 1.0 - risk))


def _portable(value: float) -> float:
    return float(f"{value:.12g}")
