"""Settling, averaging, uncertainty and decision: pure functions on arrays, without any I/O.

Usable alone on any series: ``settle(times_s, currents_A, Priors())``.
"""

from benchrig.measurement.budget import (
    Budget,
    Contribution,
    RangeAccuracy,
    ZeroTaken,
    difference,
    ratio,
    reading_budget,
)
from benchrig.measurement.decision import conformance_probability, judge
from benchrig.measurement.quantiles import t_quantile
from benchrig.measurement.settling import Outcome, Priors, SettlingWatch, settle

__all__ = [
    "Budget",
    "Contribution",
    "Outcome",
    "Priors",
    "RangeAccuracy",
    "SettlingWatch",
    "ZeroTaken",
    "conformance_probability",
    "difference",
    "judge",
    "ratio",
    "reading_budget",
    "settle",
    "t_quantile",
]
