"""Pure numerics on arrays of times and currents: settling, averaging, uncertainty, decision.

watch = SettlingWatch(Priors(guard_s=5.0, period_s=1.0))
while (outcome := watch.add(times_s, currents_A)).kind == "waiting": ...
budget = reading_budget(outcome, RangeAccuracy(...))
verdict = judge(budget.current_A, budget.expanded_uncertainty_A, minimum, maximum)
"""

from benchrig.measurement.averaging import Average, average, student
from benchrig.measurement.budget import (
    Budget,
    Contribution,
    Estimate,
    RangeAccuracy,
    ZeroTaken,
    combine,
    difference,
    ratio,
    reading_budget,
)
from benchrig.measurement.decision import Verdict, conformance_probability, judge
from benchrig.measurement.outcome import Kind, Outcome
from benchrig.measurement.priors import Priors
from benchrig.measurement.quantiles import t_quantile
from benchrig.measurement.watch import SettlingWatch, settle

__all__ = [
    "Average",
    "Budget",
    "Contribution",
    "Estimate",
    "Kind",
    "Outcome",
    "Priors",
    "RangeAccuracy",
    "SettlingWatch",
    "Verdict",
    "ZeroTaken",
    "average",
    "combine",
    "conformance_probability",
    "difference",
    "judge",
    "ratio",
    "reading_budget",
    "settle",
    "student",
    "t_quantile",
]
