"""Pure numerics on arrays of times and currents: settling, averaging, uncertainty, decision.

watch = SettlingWatch(Priors(guard_s=5.0, period_s=1.0))
while (outcome := watch.add(times_s, currents_A)).kind == "waiting": ...
budget = reading_budget(outcome, RangeAccuracy(...))
verdict = judge(budget.value, budget.expanded_uncertainty, minimum, maximum)
"""

from benchrig.measurement.averaging import Average, average, student
from benchrig.measurement.budget import (
    Ambient,
    RangeAccuracy,
    ZeroTaken,
    averaged_noise,
    noise_floor,
    reading_budget,
    single_reading_budget,
)
from benchrig.measurement.burden import (
    Sensitivity,
    SupplyLine,
    board_voltage,
    burden_flags,
    corrected_for_burden,
    fit_sensitivity,
    recharge_time_s,
)
from benchrig.measurement.characterise import Characteristics, characterised
from benchrig.measurement.combining import (
    Budget,
    Estimate,
    combine,
    difference,
    ratio,
    weighted_sum,
)
from benchrig.measurement.contributions import Contribution, Row, Stated, contribution
from benchrig.measurement.decision import (
    Acceptance,
    Confirmation,
    DecisionRule,
    GuardBand,
    Verdict,
    confirmation,
    confirmed,
    conformance_probability,
    judge,
    ratio_flags,
    uncertainty_ratio,
)
from benchrig.measurement.global_risk import GlobalRisks, Process, global_risks
from benchrig.measurement.leakage import declared_leakage, measured_leakage
from benchrig.measurement.line_fit import LineFit, fit_line
from benchrig.measurement.long_record import Stretch
from benchrig.measurement.outcome import Kind, Outcome
from benchrig.measurement.priors import Priors
from benchrig.measurement.proposals import Proposal
from benchrig.measurement.quantiles import t_quantile
from benchrig.measurement.reference import Agreement, ohm_check
from benchrig.measurement.rounding import Reported, reported, rounded
from benchrig.measurement.sequential import Decision, MeterUncertainty, Risks, VerdictWatch
from benchrig.measurement.slow_noise import SlowNoise
from benchrig.measurement.steps import Step
from benchrig.measurement.tail import Tail
from benchrig.measurement.ticks import WakeUps
from benchrig.measurement.watch import SettlingWatch, settle

__all__ = [
    "Acceptance",
    "Agreement",
    "Ambient",
    "Average",
    "Budget",
    "Characteristics",
    "Confirmation",
    "Contribution",
    "Decision",
    "DecisionRule",
    "Estimate",
    "GlobalRisks",
    "GuardBand",
    "Kind",
    "LineFit",
    "MeterUncertainty",
    "Outcome",
    "Priors",
    "Process",
    "Proposal",
    "RangeAccuracy",
    "Reported",
    "Risks",
    "Row",
    "Sensitivity",
    "SettlingWatch",
    "SlowNoise",
    "Stated",
    "Step",
    "Stretch",
    "SupplyLine",
    "Tail",
    "Verdict",
    "VerdictWatch",
    "WakeUps",
    "ZeroTaken",
    "average",
    "averaged_noise",
    "board_voltage",
    "burden_flags",
    "characterised",
    "combine",
    "confirmation",
    "confirmed",
    "conformance_probability",
    "contribution",
    "corrected_for_burden",
    "declared_leakage",
    "difference",
    "fit_line",
    "fit_sensitivity",
    "global_risks",
    "judge",
    "measured_leakage",
    "noise_floor",
    "ohm_check",
    "ratio",
    "ratio_flags",
    "reading_budget",
    "recharge_time_s",
    "reported",
    "rounded",
    "settle",
    "single_reading_budget",
    "student",
    "t_quantile",
    "uncertainty_ratio",
    "weighted_sum",
]
