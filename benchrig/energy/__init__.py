"""From measured currents and a profile of use to the life of a cell. Pure numerics.

case = Case(profile, currents_for(profile, [Source("run", result)], {}), cell)
found = life(case)
found.median_years, found.low_years, found.high_years
answer = targets(case, found, target_years=10.0)
"""

from benchrig.energy.average import Average, Part, average_current
from benchrig.energy.cautions import cautions
from benchrig.energy.cell import Cell, Regulator
from benchrig.energy.comparing import Change, Comparison, LifeChange, compare, life_change
from benchrig.energy.currents import Currents, Drawn, Source, currents_for, missing
from benchrig.energy.life import Case, Curve, Life, life
from benchrig.energy.profile import Mode, Profile, Use, quantity
from benchrig.energy.targets import Lever, Needed, Sensitivity, Targets, sensitivities, targets

__all__ = [
    "Average",
    "Case",
    "Cell",
    "Change",
    "Comparison",
    "Currents",
    "Curve",
    "Drawn",
    "Lever",
    "Life",
    "LifeChange",
    "Mode",
    "Needed",
    "Part",
    "Profile",
    "Regulator",
    "Sensitivity",
    "Source",
    "Targets",
    "Use",
    "average_current",
    "cautions",
    "compare",
    "currents_for",
    "life",
    "life_change",
    "missing",
    "quantity",
    "sensitivities",
    "targets",
]
