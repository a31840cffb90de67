"""A battery life as one document, for machines and pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchrig.energy.average import Part
from benchrig.energy.cautions import cautions
from benchrig.energy.currents import Drawn
from benchrig.energy.life import Case, Life
from benchrig.energy.targets import Needed, Sensitivity, Targets


def life_document(
    case: Case, found: Life, aimed: Targets | None, felt: Sequence[Sensitivity]
) -> dict[str, Any]:
    """All figures but the draws themselves; times in years, currents in A, shares of 1."""
    curve, average = found.curve, found.average
    return {
        "format": "benchrig/life/1",
        "profile": case.profile.name,
        "cell": case.cell.name,
        "seed": found.seed,
        "draws": found.draws,
        "average_current_A": average.current_A,
        "expanded_uncertainty_A": average.expanded_uncertainty_A,
        "currents": [_drawn(name, "A", drawn) for name, drawn in case.currents.states.items()],
        "charges": [_drawn(name, "C", drawn) for name, drawn in case.currents.charges.items()],
        "modes": [
            {
                "name": mode,
                "current_A": budget.value,
                "expanded_uncertainty_A": budget.expanded_uncertainty,
            }
            for mode, budget in average.modes
        ],
        "uses": [_part(part) for part in average.parts],
        "names": [_part(part) for part in average.names],
        "median_years": found.median_years,
        "interval_years": [found.low_years, found.high_years],
        "coverage": found.coverage,
        "nominal_years": found.nominal_years,
        "at_limits_years": found.at_limits_years,
        "lost_to_self_discharge": found.lost_share,
        "causes": dict(found.causes),
        "capacity_left": {
            "years": curve.times_years.tolist(),
            "low": curve.low.tolist(),
            "median": curve.median.tolist(),
            "high": curve.high.tolist(),
        },
        "target": None if aimed is None else _target(aimed),
        "sensitivities": [
            {
                "lever": each.lever.name,
                "elasticity": each.elasticity,
                "spread_years": each.spread_years,
            }
            for each in felt
        ],
        "warnings": list(found.warnings),
        "cautions": list(cautions(case.cell)),
    }


def _drawn(name: str, unit: str, drawn: Drawn) -> dict[str, Any]:
    mean = drawn.mean
    return {
        "name": name,
        "unit": unit,
        "value": drawn.budget.value,
        "expanded_uncertainty": drawn.budget.expanded_uncertainty,
        "origin": drawn.origin,
        "boards": drawn.boards,
        "spread_between_boards": drawn.spread,
        "expanded_uncertainty_of_mean": None if mean is None else mean.expanded_uncertainty,
    }


def _part(part: Part) -> dict[str, Any]:
    return {
        "name": part.name,
        "mode": part.mode,
        "time_share": part.time_share,
        "current_A": part.current_A,
        "expanded_uncertainty_A": part.budget.expanded_uncertainty,
        "share": part.share.value,
        "share_expanded_uncertainty": part.share.expanded_uncertainty,
    }


def _target(aimed: Targets) -> dict[str, Any]:
    return {
        "years": aimed.target_years,
        "probability": aimed.probability,
        "confidence": aimed.confidence,
        "verdict": aimed.verdict,
        "allowed_current_A": aimed.allowed_A,
        "margin": aimed.margin,
        "unreachable": aimed.unreachable,
        "levers": [_needed(each) for each in aimed.levers],
        "warnings": list(aimed.warnings),
    }


def _needed(each: Needed) -> dict[str, Any]:
    return {
        "lever": each.lever.name,
        "unit": each.lever.unit,
        "factor": each.factor,
        "why": each.why,
        "places": [
            {"mode": mode, "now": now, "needed": needed} for mode, now, needed in each.needed
        ],
    }
